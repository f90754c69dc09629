package command

import (
	"errors"
	"fmt"
	"io"
	"os"
	"time"

	"github.com/spf13/cobra"

	"lidded/cmd/lidded/internal/access"
)

func tokenCommand() *cobra.Command {
	c := &cobra.Command{
		Use:   "token",
		Short: "make, list and revoke the tokens that let others use the daemon",
		Long: "Tokens are kept as hashes in the file that daemon.tokens names (by default beside the store). A\n" +
			"running daemon takes note of every change at once.\n\n" +
			"Roles: scrape (metrics, nothing else), read (look at everything; switch sources off), operate (also\n" +
			"start, stop, abort and resume runs, release hold points), administer (also what changes tokens or\n" +
			"config; there is nothing of that over the network).\n\n" +
			"As soon as there is a token, every request needs one, on loopback too. Without any, a daemon on\n" +
			"loopback asks nobody, and one on another address does not start.",
		Args: none,
		RunE: func(c *cobra.Command, _ []string) error { return c.Help() },
	}
	c.AddCommand(tokenCreateCommand(), tokenListCommand(), tokenRevokeCommand())
	return c
}

// tokensFlags adds --config and --tokens; one of them names the file.
func tokensFlags(c *cobra.Command) func() (access.File, error) {
	path := configFlag(c)
	file := c.Flags().String("tokens", "", "token file, in place of the config's")
	return func() (access.File, error) {
		if *file != "" {
			return access.File{Path: *file}, nil
		}
		cfg, err := loadConfig(c, *path)
		if err != nil {
			return access.File{}, fmt.Errorf("%w; or name a token file with --tokens", err)
		}
		return access.File{Path: cfg.Daemon.Tokens}, nil
	}
}

func tokenCreateCommand() *cobra.Command {
	c := &cobra.Command{
		Use:   "create NAME",
		Short: "make a token and show it, once",
		Long: "Prints the token alone on standard output, or writes it to a new file that only its owner may read\n" +
			"(--out). It is not kept anywhere: whoever loses it makes another. NAME stands in the journal beside\n" +
			"what is done with the token.",
		Args: exactly("a name"),
	}
	file := tokensFlags(c)
	role := c.Flags().String("role", "", "scrape, read, operate or administer; required")
	expires := c.Flags().String("expires", "", "how long it is good for: 90d, 12w, 8h (default: until revoked)")
	out := c.Flags().String("out", "", "write the token to this new file instead")
	c.RunE = func(c *cobra.Command, args []string) error {
		var r access.Role
		if err := r.UnmarshalText([]byte(*role)); err != nil {
			return usageError{fmt.Errorf("--role: %w", err)}
		}
		var life time.Duration
		if *expires != "" {
			var err error
			if life, err = access.ParseLife(*expires); err != nil {
				return usageError{fmt.Errorf("--expires: %w", err)}
			}
		}
		f, err := file()
		if err != nil {
			return err
		}
		to := io.WriteCloser(noClose{c.OutOrStdout()})
		if *out != "" {
			// Before anything is made, so that a name that is taken costs nothing.
			if to, err = os.OpenFile(*out, os.O_CREATE|os.O_EXCL|os.O_WRONLY, 0o600); err != nil {
				return fmt.Errorf("--out: %w: name a file that is not there yet", err)
			}
		}
		t, secret, err := f.Create(args[0], r, life, time.Now())
		if err == nil {
			_, err = fmt.Fprintln(to, secret.Reveal())
		}
		if err = errors.Join(err, to.Close()); err != nil {
			if *out != "" {
				_ = os.Remove(*out)
			}
			if t.Name != "" { // made, and nobody knows it
				err = errors.Join(err, f.Revoke(t.Name))
			}
			return err
		}
		tellToken(c.ErrOrStderr(), t, f, *out)
		return nil
	}
	return c
}

// noClose leaves open what is not ours to close.
type noClose struct{ io.Writer }

func (noClose) Close() error { return nil }

func tellToken(w io.Writer, t access.Token, f access.File, out string) {
	until := "until it is revoked"
	if t.Expires != nil {
		until = "until " + t.Expires.Local().Format(time.DateTime)
	}
	where := "this is the only time it is shown"
	if out != "" {
		where = "written to " + out
	}
	fmt.Fprintf(w, "token %s: role %v, good %s; %s. Its hash is in %s\n", t.Name, t.Role, until, where, f.Path)
}

// listedToken is a token as 'token list --json' gives it.
type listedToken struct {
	access.Token
	Expired  bool       `json:"expired"`
	LastUsed *time.Time `json:"last_used,omitempty"` // as the daemon wrote it down, once a minute
}

func tokenListCommand() *cobra.Command {
	c := &cobra.Command{
		Use:   "list",
		Short: "list the tokens, without their secrets",
		Args:  none,
	}
	file := tokensFlags(c)
	asJSON := jsonFlag(c)
	c.RunE = func(c *cobra.Command, _ []string) error {
		f, err := file()
		if err != nil {
			return err
		}
		all, err := f.Read()
		if err != nil {
			return err
		}
		uses, err := f.Uses()
		if err != nil {
			fmt.Fprintln(c.ErrOrStderr(), "lidded:", err)
		}
		now := time.Now()
		list := []listedToken{}
		rows := [][]string{{"NAME", "ROLE", "CREATED", "EXPIRES", "LAST USED"}}
		for _, t := range all {
			entry := listedToken{Token: t, Expired: t.Expired(now)}
			used := "-"
			if at, ok := uses.Of(t); ok {
				entry.LastUsed, used = &at, at.Local().Format("2006-01-02 15:04")
			}
			list = append(list, entry)
			end := "never"
			if t.Expires != nil {
				end = t.Expires.Local().Format(time.DateTime)
			}
			if t.Expired(now) {
				end += " (has expired)"
			}
			rows = append(rows, []string{t.Name, t.Role.String(), t.Created.Local().Format(time.DateTime), end, used})
		}
		if *asJSON {
			return printJSON(c.OutOrStdout(), list)
		}
		if len(all) == 0 {
			fmt.Fprintf(c.ErrOrStderr(), "no token in %s\n", f.Path)
			return nil
		}
		return table(c.OutOrStdout(), rows...)
	}
	return c
}

func tokenRevokeCommand() *cobra.Command {
	c := &cobra.Command{
		Use:   "revoke NAME",
		Short: "take a token away: from now on nobody comes in with it",
		Args:  exactly("a token's name"),
	}
	file := tokensFlags(c)
	c.RunE = func(c *cobra.Command, args []string) error {
		f, err := file()
		if err != nil {
			return err
		}
		if err := f.Revoke(args[0]); err != nil {
			return err
		}
		fmt.Fprintf(c.OutOrStdout(), "token %s is revoked\n", args[0])
		left, err := f.Read()
		if err == nil && len(left) == 0 {
			fmt.Fprintln(c.ErrOrStderr(), "that was the last one: a daemon on loopback asks nobody now, unless daemon.auth is required")
		}
		return err
	}
	return c
}

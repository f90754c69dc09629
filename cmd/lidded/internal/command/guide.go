package command

import (
	"fmt"

	"github.com/spf13/cobra"

	"lidded/cmd/lidded/internal/guide"
)

func guideCommand() *cobra.Command {
	c := &cobra.Command{
		Use:   "guide [CHAPTER]",
		Short: "print the guide: its chapters, or one of them",
		Long:  "Prints the list of chapters, or one chapter as text. A daemon serves the same, with pictures, at /guide.",
		Args:  atMostOne("a chapter"),
	}
	asJSON := jsonFlag(c)
	c.RunE = func(c *cobra.Command, args []string) error {
		if len(args) == 1 {
			ch, err := guide.Find(args[0])
			if err != nil {
				return usageError{err}
			}
			if *asJSON {
				return printJSON(c.OutOrStdout(), map[string]string{"name": ch.Name, "title": ch.Title, "markdown": ch.Text})
			}
			_, err = fmt.Fprint(c.OutOrStdout(), ch.Plain())
			return err
		}
		type entry struct {
			Name  string `json:"name"`
			Title string `json:"title"`
		}
		var list []entry
		rows := [][]string{{"CHAPTER", "TITLE"}}
		for _, ch := range guide.Chapters() {
			list = append(list, entry{ch.Name, ch.Title})
			rows = append(rows, []string{ch.Name, ch.Title})
		}
		if *asJSON {
			return printJSON(c.OutOrStdout(), list)
		}
		return table(c.OutOrStdout(), rows...)
	}
	return c
}

// atMostOne takes one argument or none.
func atMostOne(name string) cobra.PositionalArgs {
	return func(c *cobra.Command, args []string) error {
		if len(args) > 1 {
			return usageError{fmt.Errorf("%s takes %s, have %q: see '%s --help'", c.CommandPath(), name, args, c.CommandPath())}
		}
		return nil
	}
}

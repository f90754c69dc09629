package rest

import (
	"strings"
	"time"

	"lidded/driver/link"
)

// Exchanges are the last exchanges with a bench's instruments.
type Exchanges struct {
	Bench    string `json:"bench"`
	Analyzer Talk   `json:"analyzer"`
	Source   Talk   `json:"source"`
}

// Talk is an instrument and what was last said to it and by it.
type Talk struct {
	Instrument
	LastError string `json:"last_error,omitempty" doc:"Of the newest exchange that failed"`
	Said      []Said `json:"exchanges" doc:"Oldest first: the last 200 commands with their replies, and before them the last failures"`
}

// Said is one line to or from an instrument.
type Said struct {
	Time      time.Time `json:"time"`
	Direction string    `json:"direction" enum:"sent,received"`
	Text      string    `json:"text" doc:"At most 200 characters; empty for a block of data"`
	Bytes     *int      `json:"bytes,omitempty" doc:"Received: length of the whole reply"`
	Took      *float64  `json:"duration_s,omitempty" doc:"Received: since the command was sent"`
	Error     string    `json:"error,omitempty"`
}

// mostSaid is how many characters of a line are shown.
const mostSaid = 200

func talkOf(i InstrumentNow, all []link.Exchange) Talk {
	out := Talk{Instrument: instrumentOf(i), Said: []Said{}}
	for _, x := range all {
		if x.Err != "" {
			out.LastError = x.Err
		}
		if x.Command != "" {
			out.Said = append(out.Said, Said{Time: x.Time.UTC(), Direction: "sent", Text: shortText(x.Command)})
		}
		if x.Bytes == 0 && x.Reply == "" && x.Err == "" {
			continue // nothing was to come back
		}
		back := Said{Time: x.Time.Add(x.Took).UTC(), Direction: "received", Text: shortText(x.Reply), Took: number(x.Took.Seconds()), Error: x.Err}
		if x.Bytes > 0 {
			n := x.Bytes
			back.Bytes = &n
		}
		out.Said = append(out.Said, back)
	}
	return out
}

// shortText is at most mostSaid characters of what an instrument said, which may
// be anything.
func shortText(s string) string {
	r := []rune(strings.ToValidUTF8(s, "\uFFFD"))
	if len(r) > mostSaid {
		r = append(r[:mostSaid-1], '…')
	}
	return string(r)
}

// Schedule starts runs by the clock.
type Schedule struct {
	Name      string     `json:"name"`
	Bench     string     `json:"bench"`
	Plan      string     `json:"plan"`
	Specimens []string   `json:"specimens" doc:"None: all of the config"`
	Cron      string     `json:"cron" doc:"Minute, hour, day of the month, month, day of the week"`
	Zone      string     `json:"time_zone"`
	CatchUp   bool       `json:"catch_up" doc:"A run missed while the daemon was away is made up for once"`
	Next      *time.Time `json:"next_run,omitempty" doc:"Left out: never"`
	Last      *RunInfo   `json:"last_run,omitempty" doc:"The last run it started; left out: none"`
	Missed    *time.Time `json:"last_missed,omitempty" doc:"When a run was last due and did not begin; left out: none known"`
	MissedWhy string     `json:"missed_reason,omitempty"`
}

func scheduleOf(s ScheduleNow) Schedule {
	out := Schedule{
		Name: s.Name, Bench: s.Bench, Plan: s.Plan, Specimens: listOf(s.Specimens), Cron: s.Cron, Zone: s.Zone, CatchUp: s.CatchUp,
		Next: timeIf(s.Next), Missed: timeIf(s.Missed), MissedWhy: s.MissedWhy,
	}
	if s.Last != nil {
		r := runInfoOf(*s.Last)
		out.Last = &r
	}
	return out
}

// Daemon is the daemon itself.
type Daemon struct {
	Version   string          `json:"version"`
	Lab       bool            `json:"lab,omitempty" doc:"This is a lab server: it reads the lab, and has no bench of its own"`
	Daemons   []OtherDaemon   `json:"daemons,omitempty" doc:"On a lab server: the benches' daemons"`
	Started   *time.Time      `json:"started,omitempty"`
	DiskFree  *int64          `json:"disk_free_bytes,omitempty" doc:"Left for the store; left out: not known"`
	Store     *int64          `json:"store_bytes,omitempty" doc:"What the store takes; left out: not known"`
	Guardians []GuardianState `json:"guardian" doc:"Per bench, the process that switches the source off when the daemon cannot"`
}

// OtherDaemon is a daemon that a lab server knows.
type OtherDaemon struct {
	Daemon  string     `json:"daemon" doc:"Its address"`
	Up      bool       `json:"up"`
	Since   *time.Time `json:"since,omitempty" doc:"When it came up or went away, as seen from here; left out: not known yet"`
	Reason  string     `json:"reason,omitempty" doc:"Why it is away"`
	Version string     `json:"version,omitempty"`
	Benches []string   `json:"benches" doc:"As far as they were heard of"`
}

// GuardianState is the guardian of a bench.
type GuardianState struct {
	Bench string `json:"bench"`
	State string `json:"state" enum:"standing by,away,none" doc:"away: nothing is keyed until another stands by; none: the config asks for none"`
}

func daemonOf(version string, d DaemonNow) Daemon {
	bytes := func(n int64) *int64 {
		if n < 0 {
			return nil
		}
		return &n
	}
	return Daemon{
		Version: version, Lab: d.Lab, Daemons: d.Daemons, Started: timeIf(d.Started), DiskFree: bytes(d.DiskFree), Store: bytes(d.StoreBytes),
		Guardians: each(d.Guardians, func(g GuardianNow) GuardianState { return GuardianState(g) }),
	}
}

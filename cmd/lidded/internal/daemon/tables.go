package daemon

import (
	"fmt"
	"io"

	"lidded/sweep"
	"lidded/sweep/explain"
	"lidded/sweep/report/text"
	"lidded/sweep/requirement"
)

// Tables writes a run's result tables for a person, and below them each
// specimen's protection code.
func Tables(w io.Writer, run sweep.Run, e sweep.Evaluation) error {
	if err := text.Results(w, run, e, text.Style{}); err != nil {
		return err
	}
	if len(e.Summaries) == 0 {
		return nil
	}
	if _, err := fmt.Fprintf(w, "\nprotection code (%s)\n", requirement.EMCodeSource); err != nil {
		return err
	}
	for _, s := range e.Summaries {
		if _, err := fmt.Fprintf(w, "%s: %s\n", s.Specimen, explain.CodeOf(s)); err != nil {
			return err
		}
	}
	return nil
}

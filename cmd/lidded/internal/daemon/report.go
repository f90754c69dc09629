package daemon

import (
	"context"
	"fmt"
	"io"
	"slices"

	"lidded/cmd/lidded/internal/rest"
	"lidded/sweep"
	"lidded/sweep/report/document"
)

// othersJudged is how many other runs of the same specimens a report judges,
// the newest; all are listed.
const othersJudged = 20

// ReportOf gathers what a report of a run is made of; evaluate judges a run.
func ReportOf(ctx context.Context, s Archive, id sweep.RunID, evaluate func(context.Context, sweep.RunID) (sweep.Evaluation, error)) (document.Input, error) {
	var in document.Input
	var err error
	if in.Run, err = s.Run(ctx, id); err != nil {
		return in, err
	}
	if in.Evaluation, err = evaluate(ctx, id); err != nil {
		return in, err
	}
	if in.Keyings, err = s.Keyings(ctx, sweep.KeyingFilter{Run: id}); err != nil {
		return in, err
	}
	if in.Events, err = s.Events(ctx, id, 0, 0); err != nil {
		return in, err
	}
	in.Captures = s.EachCapture(ctx, id)
	if in.Others, err = others(ctx, s, in.Run); err != nil {
		return in, err
	}
	for i := max(0, len(in.Others)-othersJudged); i < len(in.Others); i++ {
		o := &in.Others[i]
		if o.Run.Captures == 0 {
			continue
		}
		e, err := evaluate(ctx, o.Run.ID)
		if err != nil {
			return in, err
		}
		for _, sum := range e.Summaries {
			if slices.ContainsFunc(in.Run.Specimens, func(s sweep.Specimen) bool { return s.Name == sum.Specimen }) {
				o.Summaries = append(o.Summaries, sum)
			}
		}
	}
	return in, nil
}

// others are the other runs of a run's specimens, in the order in which they were
// stored, whatever the clock did.
func others(ctx context.Context, s Archive, run sweep.Run) ([]document.Other, error) {
	var f sweep.RunFilter
	if len(run.Specimens) == 1 {
		f.Specimen = run.Specimens[0].Name
	}
	list, err := s.Runs(ctx, f)
	if err != nil {
		return nil, err
	}
	ours := func(name string) bool {
		return slices.ContainsFunc(run.Specimens, func(s sweep.Specimen) bool { return s.Name == name })
	}
	var out []document.Other
	for _, r := range slices.Backward(list) { // newest first
		if r.ID != run.ID && slices.ContainsFunc(r.Specimens, ours) {
			out = append(out, document.Other{Run: r})
		}
	}
	return out, nil
}

// reports are the reports REST gives of a run.
func reports(s Archive, j *judge, later document.Facts) []rest.Export {
	write := func(form document.Form, how func(document.Document, io.Writer) error) func(context.Context, sweep.RunID, io.Writer) error {
		return func(ctx context.Context, id sweep.RunID, w io.Writer) error {
			in, err := ReportOf(ctx, s, id, j.Evaluation)
			if err != nil {
				return err
			}
			if err := ofRun(later, in.Run); err != nil {
				return err
			}
			in.Facts = later
			doc, err := document.Build(in, form)
			if err != nil {
				return err
			}
			return how(doc, w)
		}
	}
	const htmlType, pdfType = "text/html; charset=utf-8", "application/pdf"
	return []rest.Export{
		{File: "report.html", Type: htmlType, Summary: "The full report as one self-contained page", Write: write(document.Full, document.Document.HTML)},
		{File: "report.pdf", Type: pdfType, Summary: "The full report as PDF", Write: write(document.Full, document.Document.PDF)},
		{File: "report-short.html", Type: htmlType, Summary: "The abbreviated report as one self-contained page", Write: write(document.Short, document.Document.HTML)},
		{File: "report-short.pdf", Type: pdfType, Summary: "The abbreviated report as PDF, one page", Write: write(document.Short, document.Document.PDF)},
	}
}

// ofRun refuses facts of specimens that a run does not have.
func ofRun(f document.Facts, run sweep.Run) error {
	for name := range f.Specimens {
		if !slices.ContainsFunc(run.Specimens, func(s sweep.Specimen) bool { return s.Name == name }) {
			return sweep.Problem{Path: "facts.specimens." + name, Message: fmt.Sprintf("facts.specimens: specimen %q is not part of run %s", name, run.ID)}
		}
	}
	return nil
}

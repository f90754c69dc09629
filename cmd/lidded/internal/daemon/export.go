package daemon

import (
	"context"
	"fmt"
	"io"

	"lidded/cmd/lidded/internal/rest"
	"lidded/store"
	"lidded/sweep"
	"lidded/sweep/report/document"
	"lidded/sweep/report/export"
)

// BundleOf gathers what is exported of a run from an archive. Without the traces of
// a run, which left the store and whose archive cannot be read, Captures is nil.
func BundleOf(ctx context.Context, s Archive, id sweep.RunID, traces bool) (export.Bundle, error) {
	run, err := s.Run(ctx, id)
	if err != nil {
		return export.Bundle{}, err
	}
	e, err := evaluate(ctx, s, run)
	if err != nil {
		return export.Bundle{}, err
	}
	b := export.Bundle{Run: run, Evaluation: e, Traces: traces}
	switch err := TracesAway(ctx, s, id); {
	case err == nil:
		b.Captures = s.EachCapture(ctx, id)
	case store.KindOf(err) != store.KindAway:
		return b, err
	}
	return b, nil
}

// TracesAway is an error of store.KindAway when the traces of a run left the
// store and their archive cannot be read.
func TracesAway(ctx context.Context, s Archive, id sweep.RunID) error {
	for _, err := range s.EachCapture(ctx, id) {
		return err
	}
	return nil
}

// exports are the files REST gives of a run; later facts go into its reports.
func exports(s Archive, j *judge, later document.Facts) []rest.Export {
	var out []rest.Export
	without := len(export.Tables(export.Bundle{})) // those after it are made of the captures
	for i, t := range export.Tables(export.Bundle{Captures: s.EachCapture(context.Background(), ""), Traces: true}) {
		out = append(out, rest.Export{
			File: t.File(), Type: "text/csv; charset=utf-8", Summary: t.Title + ", as CSV",
			Write: func(ctx context.Context, id sweep.RunID, w io.Writer) error {
				b, err := BundleOf(ctx, s, id, true)
				if err == nil && b.Captures == nil && i >= without {
					err = TracesAway(ctx, s, id)
				}
				if err != nil {
					return err
				}
				return t.Write(w, b)
			},
		})
	}
	out = append(out, reports(s, j, later)...)
	return append(out, rest.Export{
		File: "tables.txt", Type: "text/plain; charset=utf-8", Summary: "Tables for people, one per specimen, with verdicts",
		Write: func(ctx context.Context, id sweep.RunID, w io.Writer) error {
			run, err := s.Run(ctx, id)
			if err != nil {
				return err
			}
			e, err := j.Evaluation(ctx, id)
			if err != nil {
				return err
			}
			return Tables(w, run, e)
		},
	}, rest.Export{
		File: export.DescriptionFile, Type: "application/json", Summary: "Description of the tables: columns, units, digests",
		Write: func(ctx context.Context, id sweep.RunID, w io.Writer) error {
			b, err := BundleOf(ctx, s, id, false)
			if err != nil {
				return err
			}
			return export.Write(b, func(name string) (io.WriteCloser, error) {
				if name == export.DescriptionFile {
					return nopCloser{w}, nil
				}
				return nopCloser{io.Discard}, nil
			})
		},
	})
}

type nopCloser struct{ io.Writer }

func (nopCloser) Close() error { return nil }

// storeBytes tells how much disk the store takes.
func (d *Daemon) storeBytes() (int64, error) {
	n, err := d.store.Size()
	if err != nil {
		return 0, fmt.Errorf("size of the store: %w", err)
	}
	return n, nil
}

package rest

import (
	"context"
	"fmt"
	"net/http"
	"time"

	"github.com/danielgtaylor/huma/v2"

	"lidded/cmd/lidded/internal/access"
	"lidded/sweep"
)

type ledgerQuery struct {
	Bench string    `query:"bench" maxLength:"100" doc:"Only this bench"`
	Run   string    `query:"run" maxLength:"64" doc:"Only this run"`
	From  time.Time `query:"from" maxLength:"40" doc:"Only keyings begun at or after this time"`
	To    time.Time `query:"to" maxLength:"40" doc:"Only keyings begun before this time"`
	After int64     `query:"after" minimum:"0" doc:"Only entries with a higher number"`
	Limit int       `query:"limit" default:"1000" minimum:"1" maximum:"10000" doc:"Most entries on a page"`
}

// LedgerEntry is an entry of the transmission ledger, with its run.
type LedgerEntry struct {
	Run string `json:"run,omitempty" doc:"Left out: keyed by no run"`
	Keying
}

// Ledger is a page of the transmission ledger.
type Ledger struct {
	Keyings []LedgerEntry `json:"keyings" doc:"Oldest first; over several benches of a lab in the order in which they came in there, by numbers of the lab's own"`
	Next    *int64        `json:"next,omitempty" doc:"Give it as after to get the next page; left out on the last page"`
}

func (s *server) ledgerRoutes() {
	register(s, access.Read, huma.Operation{
		OperationID: "list-ledger", Method: http.MethodGet, Path: "/v1/keyings", Tags: []string{"records"},
		Summary:     "List the transmission ledger: when sources were on",
		Description: "Of all runs, also of keyings that belong to none.",
	}, s.ledger)
}

func (s *server) ledger(ctx context.Context, in *ledgerQuery) (*body[Ledger], error) {
	f := sweep.KeyingFilter{Bench: in.Bench, Run: sweep.RunID(in.Run), From: in.From, To: in.To, After: in.After, Limit: in.Limit + 1}
	if err := checkSpan(in.From, in.To); err != nil {
		return nil, err
	}
	if in.Run != "" {
		if _, err := s.run(ctx, in.Run); err != nil {
			return nil, err
		}
	}
	all, err := s.Records.Keyings(ctx, f)
	if err != nil {
		return nil, fmt.Errorf("list ledger: %w", err)
	}
	all, more := page(all, in.Limit)
	out := Ledger{Keyings: each(all, func(k sweep.Keying) LedgerEntry { return LedgerEntry{string(k.Run), keyingOf(k)} })}
	if more {
		out.Next = &all[len(all)-1].Entry
	}
	return bodyOf(out), nil
}

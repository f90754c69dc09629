package rest

import (
	"context"
	"errors"
	"fmt"

	"github.com/danielgtaylor/huma/v2"
	"github.com/google/uuid"
	"go.uber.org/zap"

	"lidded/cmd/lidded/internal/access"
	"lidded/driver"
	"lidded/store"
	"lidded/store/lab"
	"lidded/sweep"
	"lidded/sweep/engine"
)

// problemOf is the one mapping from errors to problems. Whatever it does not
// know is an internal fault: it goes to the log, and the client gets the
// number under which it stands there.
func problemOf(err error, log *zap.Logger) *Problem {
	var (
		p        *Problem
		no       *access.Refusal
		missing  *NotFoundError
		wait     *UnavailableError
		busy     *engine.BusyError
		refused  *engine.RefusedError
		state    *engine.StateError
		hold     *engine.HoldError
		owed     *engine.OwedError
		other    *engine.OtherRunError
		changed  *engine.IdentityError
		down     *engine.DownError
		kept     *store.Error
		away     *AwayError
		sources  *SourcesError
		instr    *driver.Error
		badInput sweep.Problem
	)
	switch {
	case errors.As(err, &p):
		return p
	case errors.As(err, &no) && refusalKinds[no.Kind].status != 0:
		return refusalKinds[no.Kind].of(no.Text)
	case errors.As(err, &missing):
		return kindNotFound.of(missing.Error())
	case errors.Is(err, sweep.ErrNoRun), errors.Is(err, sweep.ErrNoCapture):
		return kindNotFound.of(err.Error())
	case errors.As(err, &busy):
		p := kindBusy.of(busy.Error())
		p.Run = string(busy.Run)
		return p
	case errors.As(err, &refused):
		p := kindRefused.of(refused.Error())
		for _, q := range refused.Problems {
			p.Errors = append(p.Errors, detailOf(q))
		}
		return p
	case errors.As(err, &badInput):
		p := kindInvalid.of(badInput.Error())
		p.Errors = []*huma.ErrorDetail{detailOf(badInput)}
		return p
	case errors.As(err, &state):
		p := kindState.of(state.Error())
		p.Run = string(state.Run)
		p.State = state.State.String()
		return p
	case errors.As(err, &hold):
		p := kindState.of(hold.Error())
		p.Run = string(hold.Run)
		return p
	case errors.As(err, &owed):
		p := kindDiskFull.of(fmt.Sprintf("run %s: how it ended is not written down yet: %s", owed.Run, Told(owed.Err)))
		p.Run = string(owed.Run)
		return p
	case errors.As(err, &other):
		return kindState.of(other.Error())
	case errors.As(err, &changed):
		p := kindState.of(changed.Error())
		p.Run = string(changed.Run)
		return p
	case errors.Is(err, sweep.ErrConflict):
		return kindConflict.of(err.Error())
	case errors.As(err, &wait):
		return kindUnavailable.of(wait.Error())
	case errors.Is(err, engine.ErrNotServing):
		return kindUnavailable.of(engine.ErrNotServing.Error())
	case errors.As(err, &away):
		return away.problem()
	case errors.As(err, &sources):
		return sources.problem()
	case lab.KindOf(err) != lab.KindUnknown:
		return labProblem(err)
	case errors.As(err, &kept) && storeKinds[kept.Kind].status != 0:
		return storeKinds[kept.Kind].of(kept.Op + ": " + kept.Kind.String())
	case errors.As(err, &instr):
		return instrumentProblem(err, instr)
	case errors.As(err, &down):
		return kindInstrument.of(down.Error())
	case errors.Is(err, context.DeadlineExceeded):
		return kindUnavailable.of("this took too long and was given up")
	case errors.Is(err, context.Canceled):
		return kindUnavailable.of("the daemon is stopping, or the client went away")
	}
	id := uuid.NewString()
	log.Error("request failed", zap.String("instance", id), zap.Error(err))
	p = kindInternal.of("")
	p.Instance = "urn:uuid:" + id
	return p
}

// Told is what a client may read of an error: of a fault of the store neither
// path nor statement.
func Told(err error) string {
	var kept *store.Error
	if errors.As(err, &kept) && storeKinds[kept.Kind].status != 0 {
		return kept.Kind.String()
	}
	if err == nil {
		return ""
	}
	return "the daemon's log has the cause"
}

// labProblem shows what the lab said, without where it is.
func labProblem(err error) *Problem {
	k := kindLabAway
	if lab.KindOf(err) == lab.KindDropped {
		k = kindDropped
	}
	p := k.of(err.Error())
	if e := (*lab.Error)(nil); errors.As(err, &e) {
		p.Detail = e.Op
		if e.Err != nil {
			p.Detail += ": " + e.Err.Error()
		}
		if e.Hint != "" {
			p.Hint = e.Hint
		}
	}
	return p
}

func detailOf(q sweep.Problem) *huma.ErrorDetail {
	return &huma.ErrorDetail{Message: q.Message, Location: q.Path}
}

// instrumentProblem shows what the instrument said, without addresses that a
// client need not know.
func instrumentProblem(err error, e *driver.Error) *Problem {
	k := kindInstrument
	if e.Kind == driver.KindTimeout || e.Kind == driver.KindBusy {
		k = kindInstrumentTO
	}
	p := k.of(err.Error())
	p.Hint = e.Hint
	return p
}

// storeKinds are faults of the store that an operator can mend, or that pass.
// Their paths are not for clients.
var storeKinds = map[store.Kind]kind{
	store.KindFull:     kindDiskFull,
	store.KindReadOnly: kindDiskFull,
	store.KindBusy:     kindUnavailable,
	store.KindLocked:   kindUnavailable,
	store.KindClosed:   kindUnavailable,
	store.KindAway:     kindUnavailable,
}

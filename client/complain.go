package main

import (
	"errors"

	"barward/client/station"
	"barward/internal/refusal"
)

// report tells a person how the run ended and returns its exit code.
func (a *app) report(err error) int {
	var alarm *station.Untrusted
	var waits *kept
	switch {
	case err == nil:
		return exitDone
	case errors.Is(err, errTold):
		return exitRefused
	case errors.As(err, &alarm):
		say(a.complain,
			"\n*** DO NOT RELY ON THIS LOG ***\n  %s\n  Record nothing more there and tell the other parties.\n", alarm)
		return exitUntrusted
	case errors.As(err, &waits):
		if waits.cause != nil {
			say(a.complain, "%s\n", station.Sentence(waits.cause))
		}
		say(a.complain, "… %s\n", waits)
		return exitKept
	}
	verdict := "REFUSED"
	if r := station.AsRefusal(err); r == nil || station.Unreachable(err) || r.Kind == refusal.Internal {
		verdict = "FAILED"
	}
	say(a.complain, "%-8s %s\n", verdict, station.Sentence(err))
	return exitRefused
}

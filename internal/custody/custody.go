// Package custody follows one bar or box from hand to hand: who holds it, under which seals, and what does not fit.
//
// A hand-off is two records: what the releasing party says it gave, and what the accepting party says it got. Until both
// are there the releasing party holds.
//
// Invariants:
//  1. On record one party at most holds a bar or box at a time. Contrary evidence becomes a Finding and waits; it never
//     overwrites the holder. When the missing record arrives, what waited takes effect.
//  2. Evidence is never refused: a broken seal, a late hand-off, a release by somebody who does not hold are recorded.
//     Refused (by Step.Check) is only what is malformed, or signed by one party for both sides.
//  3. The state after a step is a function of the state before it and the step: Trace is the fold of Next.
//
// Times are instants with their zone offset. Seal numbers are compared as written, with spaces around them dropped: two
// numbers that differ in case or in a leading zero are two seals.
//
// Sources: hand-over minimum and its rules are a composite of old mint practice and published packing lists; common
// practice, no single source. ISO 22095:2020 defines chain of custody.
//
// Left out: ownership, which an agreement moves and a hand-off does not, and the models of ISO 22095 after the melt.
package custody

import (
	"fmt"
	"slices"
	"strings"
	"time"

	"barward/internal/refusal"
)

// Kind is what a step did.
type Kind string

const (
	Packed       Kind = "packed"        // put together and sealed by its holder
	Released     Kind = "released"      // Party says it gave it to Counterparty
	Accepted     Kind = "accepted"      // Party says it got it from Counterparty
	SealReplaced Kind = "seal_replaced" // old seals taken off, new ones put on
	Received     Kind = "received"      // scanned in by its holder, seals read and taken off
	Incident     Kind = "incident"      // something that happened, in Condition
	Melted       Kind = "melted"        // the end of the bar
)

// Step is one signed record about a bar or box.
type Step struct {
	Kind         Kind      `json:"kind"`
	Party        string    `json:"party"`                  // who signs it
	Counterparty string    `json:"counterparty,omitempty"` // released: to whom; accepted: from whom
	At           time.Time `json:"at"`                     // when it happened
	Seals        []string  `json:"seals,omitempty"`        // packed, seal_replaced: put on; else: as read
	Broken       []string  `json:"broken,omitempty"`       // of the seals read, those not sound; may also stand in Seals
	OldSeals     []string  `json:"old_seals,omitempty"`    // seal_replaced: taken off; empty means all that were on
	Counted      bool      `json:"counted,omitempty"`      // whether Count was counted
	Count        int       `json:"count,omitempty"`        // bars in the box or boxes in the consignment
	Deadline     time.Time `json:"deadline,omitzero"`      // released: accept until then, that instant included
	Ref          string    `json:"ref,omitempty"`          // the record it rests on
	Condition    string    `json:"condition,omitempty"`    // remarks, as written
	Place        string    `json:"place,omitempty"`        //
}

// Check refuses a malformed step: unknown kind, no party, no time, a release to nobody, one party on both sides of a
// hand-off, a deadline before the release, an empty, repeated or overlong seal number, or a count outside 0 to 100 000.
func (s Step) Check() error {
	switch s.Kind {
	case Packed, Released, Accepted, SealReplaced, Received, Incident, Melted:
	default:
		return refusal.Invalidf("CUSTODY_KIND_UNKNOWN", "kind",
			"%.40q is not a step of custody; use packed, released, accepted, seal_replaced, received, incident or melted", string(s.Kind)).
			With("kind", string(s.Kind))
	}
	if s.Party == "" {
		return refusal.Invalidf("PARTY_MISSING", "party", "a step of custody names no party; state who did it")
	}
	if s.At.IsZero() {
		return refusal.Invalidf("TIME_MISSING", "at", "a step of custody has no time; state when it happened, with the zone offset")
	}
	if (s.Kind == Released || s.Kind == Accepted) && s.Counterparty == "" {
		return refusal.Invalidf("COUNTERPARTY_MISSING", "counterparty",
			"a hand-off names one side only; state to whom it was released or from whom it was accepted")
	}
	if s.Party == s.Counterparty {
		return refusal.Invalidf("HANDOFF_TO_SELF", "counterparty",
			"%.200q stands on both sides of the hand-off; one party cannot sign for both", s.Party).With("party", s.Party)
	}
	if s.Kind == Released && !s.Deadline.IsZero() && s.Deadline.Before(s.At) {
		return refusal.Invalidf("DEADLINE_BEFORE_RELEASE", "deadline",
			"the hand-off is to be accepted by %s, before it was released at %s; mend one of them",
			stamp(s.Deadline), stamp(s.At)).With("deadline", stamp(s.Deadline)).With("at", stamp(s.At))
	}
	if s.Count < 0 || s.Count > maxCount {
		return refusal.Invalidf("COUNT_OUT_OF_RANGE", "count", "a count of %d is outside 0 to %d", s.Count, maxCount).With("count", fmt.Sprint(s.Count))
	}
	for _, f := range []struct {
		name, text string
		most       int
	}{{"party", s.Party, maxText}, {"counterparty", s.Counterparty, maxText}, {"ref", s.Ref, maxText}, {"place", s.Place, maxText}, {"condition", s.Condition, maxRemark}} {
		if len(f.text) > f.most {
			return refusal.Invalidf("TEXT_TOO_LONG", f.name, "%d characters are more than the %d allowed; shorten it", len(f.text), f.most)
		}
	}
	if s.Kind == Packed || s.Kind == SealReplaced {
		if len(s.Broken) > 0 {
			return refusal.Invalidf("SEALS_UNCLEAR", "broken", "seals just put on cannot be broken; report a broken seal as an incident or put it under old_seals")
		}
	}
	for _, f := range []struct {
		name  string
		seals []string
	}{{"seals", s.Seals}, {"broken", s.Broken}, {"old_seals", s.OldSeals}} {
		if err := checkSeals(f.seals); err != nil {
			return refusal.In(err, f.name)
		}
	}
	return nil
}

// FindingKind names what does not fit. The names are stable.
type FindingKind string

const (
	SealBroken          FindingKind = "seal_broken"            // a seal was read, and was not sound
	SealMissing         FindingKind = "seal_missing"           // a seal on record was not found
	SealUnknown         FindingKind = "seal_unknown"           // a seal was found that is not on record
	SealMismatched      FindingKind = "seal_mismatched"        // both at once: another seal in place of the one on record
	SealReused          FindingKind = "seal_reused"            // a seal was put on that has been used before
	AcceptedLate        FindingKind = "accepted_late"          // after the deadline of the release
	AcceptedAgain       FindingKind = "accepted_again"         // by the party that on record holds it already
	NotAccepted         FindingKind = "not_accepted"           // the deadline has passed without an acceptance
	CustodyGap          FindingKind = "custody_gap"            // it came from a party that on record did not hold it
	CustodyOverlap      FindingKind = "custody_overlap"        // two parties claim to have held it at one time
	ReleasedByNonHolder FindingKind = "released_by_non_holder" // a release by a party that on record does not hold it
	ReleasedAgain       FindingKind = "released_again"         // a second release while the first is not accepted
	ActedByNonHolder    FindingKind = "acted_by_non_holder"    // packed, resealed, received or melted by such a party
	CountShort          FindingKind = "count_short"            // fewer counted than on record
	CountOver           FindingKind = "count_over"             // more counted than on record
	IncidentReported    FindingKind = "incident_reported"      // an incident was recorded
	AfterMelt           FindingKind = "after_melt"             // a step at or after the melt of the bar
)

// Finding is evidence that does not fit the record, for somebody to answer.
type Finding struct {
	Kind     FindingKind `json:"kind"`
	Party    string      `json:"party"`              // who recorded the evidence
	Other    string      `json:"other,omitempty"`    // the other party concerned, such as the holder on record
	At       time.Time   `json:"at"`                 // of the step
	Ref      string      `json:"ref,omitempty"`      // of the step
	Expected []string    `json:"expected,omitempty"` // seals or count on record
	Found    []string    `json:"found,omitempty"`    // seals or count found
	Text     string      `json:"text"`               // in words
}

// Release is a hand-off that waits to be accepted.
type Release struct {
	From     string    `json:"from"`
	To       string    `json:"to"`
	At       time.Time `json:"at"`
	Deadline time.Time `json:"deadline,omitzero"`
	Ref      string    `json:"ref,omitempty"`
}

// State is what the record says of a bar or box now. The zero State is one that nobody has recorded yet. It is small and
// plain, to be stored as JSON beside the bar.
type State struct {
	Holder  string    `json:"holder,omitempty"` // empty before the first step
	Since   time.Time `json:"since,omitzero"`   // when Holder came to hold it
	Release *Release  `json:"release,omitempty"`
	Seals   []string  `json:"seals,omitempty"` // on it, as last read
	Counted bool      `json:"counted,omitempty"`
	Count   int       `json:"count,omitempty"`
	Melted  bool      `json:"melted,omitempty"`
	Retired []string  `json:"retired,omitempty"` // seals taken off, which may not come back
	Waiting []Step    `json:"waiting,omitempty"` // hand-off records that do not fit yet
}

// change is one change of holder.
type change struct {
	holder string
	at     time.Time
	ref    string
	seals  []string // on it when it moved
}

// Next returns the state after one more step, and what about the step does not fit. The state given is not changed. The
// step has passed Step.Check.
//
//   - packed, received: the first such step makes its party the holder; afterwards the party must be the holder.
//   - released: by the holder, opens a hand-off; by anybody else it is a finding and waits.
//   - accepted: by the party it was released to, moves the holder; by anybody else it is a finding and waits.
//   - seals read are compared with the seals on record, which then become the ones read, so that each change is found
//     once, at the door where it showed. An acceptance must read them (none read is all missing); a release or a receipt
//     may; an incident names the broken ones only.
func Next(state State, step Step) (State, []Finding) {
	next, findings, _ := advance(state, step)
	return next, findings
}

// advance is Next with the changes of holder, in order.
func advance(before State, step Step) (State, []Finding, []change) {
	s := &fold{state: before.clone(), step: step}
	if s.state.Melted {
		s.find(AfterMelt, s.state.Holder, "%s recorded %q after the bar had been melted.", step.Party, step.Kind)
		return s.state, s.findings, nil
	}
	switch step.Kind {
	case Packed:
		s.begin()
		s.count(true)
		s.putOn(step.Seals, s.state.Seals)
	case SealReplaced:
		s.begin()
		s.replace()
	case Received:
		s.begin()
		s.stated()
		s.count(false)
		s.retire(s.state.Seals)
		s.state.Seals = nil
	case Melted:
		s.begin()
		s.state.Melted = true
		s.state.Release = nil
	case Incident:
		s.find(IncidentReported, s.state.Holder, "%s reports: %s", step.Party, orNothing(step.Condition))
		s.broken()
	case Released:
		s.stated()
		s.count(false)
		s.release()
	case Accepted:
		s.read()
		s.count(false)
		s.accept()
	}
	return s.state, s.findings, s.moves
}

// Overdue returns a not_accepted finding where a release has passed its deadline at the moment now without an acceptance.
func Overdue(state State, now time.Time) []Finding {
	r := state.Release
	if r == nil || r.Deadline.IsZero() || !now.After(r.Deadline) {
		return nil
	}
	return []Finding{{Kind: NotAccepted, Party: r.From, Other: r.To, At: r.Deadline, Ref: r.Ref, Text: fmt.Sprintf(
		"%s released it to %s at %s, to be accepted by %s; no acceptance is on record.", r.From, r.To, stamp(r.At), stamp(r.Deadline))}}
}

// Leg is one stretch of the route in one hand.
type Leg struct {
	Holder string    `json:"holder"`
	From   time.Time `json:"from"`
	To     time.Time `json:"to,omitzero"` // zero while it is still held
	Seals  []string  `json:"seals,omitempty"`
	Ref    string    `json:"ref,omitempty"` // the record by which Holder came to hold it
}

// Route is the whole way of a bar or box.
type Route struct {
	Legs     []Leg     `json:"legs"`
	Findings []Finding `json:"findings,omitempty"`
	State    State     `json:"state"`
}

// Holder returns who holds it on record, empty where nobody does yet.
func (r Route) Holder() string { return r.State.Holder }

// Of returns the findings of one kind, such as CustodyGap or CustodyOverlap.
func (r Route) Of(kind FindingKind) []Finding {
	var of []Finding
	for _, f := range r.Findings {
		if f.Kind == kind {
			of = append(of, f)
		}
	}
	return of
}

// Trace folds steps, in the order in which they were recorded, into a route. Where now is not the zero time, a release
// that is overdue then is a finding too.
func Trace(steps []Step, now time.Time) Route {
	route := Route{Legs: []Leg{}}
	for _, step := range steps {
		state, findings, moves := advance(route.State, step)
		route.State = state
		route.Findings = append(route.Findings, findings...)
		for _, m := range moves {
			if n := len(route.Legs); n > 0 {
				route.Legs[n-1].To = m.at
			}
			route.Legs = append(route.Legs, Leg{Holder: m.holder, From: m.at, Seals: m.seals, Ref: m.ref})
		}
	}
	if !now.IsZero() {
		route.Findings = append(route.Findings, Overdue(route.State, now)...)
	}
	return route
}

func (s State) clone() State {
	if s.Release != nil {
		r := *s.Release
		s.Release = &r
	}
	s.Seals, s.Retired, s.Waiting = slices.Clone(s.Seals), slices.Clone(s.Retired), slices.Clone(s.Waiting)
	return s
}

func stamp(t time.Time) string { return t.Format(time.RFC3339) }

func orNothing(text string) string {
	if strings.TrimSpace(text) == "" {
		return "nothing further."
	}
	return text
}

package custody

import (
	"encoding/json"
	"reflect"
	"slices"
	"strings"
	"testing"
	"time"

	"barward/internal/refusal"
)

// The rules tested here (one holder at most, both sides record, a gap or an overlap is an alarm, seal numbers are never
// reused, nobody signs for both sides) are a composite of old mint practice and packing lists: common practice, no single
// source. The parties are invented.
const (
	mine     = "Quillfeather Mine"
	carrier  = "Ottoline Haulage"
	airline  = "Brambleway Air"
	refinery = "Nettlecombe Refinery"
)

// at is an hour of an invented day.
func at(hour int) time.Time { return time.Date(2025, 5, 6, hour, 0, 0, 0, time.FixedZone("", -5*3600)) }

func packed(hour int, seals ...string) Step {
	return Step{Kind: Packed, Party: mine, At: at(hour), Seals: seals, Ref: "pack", Counted: true, Count: 3}
}

func released(from, to string, hour, deadline int) Step {
	return Step{Kind: Released, Party: from, Counterparty: to, At: at(hour), Deadline: at(deadline), Ref: "release by " + from}
}

func accepted(by, from string, hour int, seals ...string) Step {
	return Step{Kind: Accepted, Party: by, Counterparty: from, At: at(hour), Seals: seals, Ref: "acceptance by " + by}
}

func kinds(findings []Finding) []FindingKind {
	var out []FindingKind
	for _, f := range findings {
		out = append(out, f.Kind)
	}
	return out
}

// smooth is a route on which nothing is wrong.
func smooth() []Step {
	return []Step{
		packed(6, "S1", "S2"),
		released(mine, carrier, 7, 8),
		accepted(carrier, mine, 8, "S2", " S1 "), // at the deadline, in another order, with spaces
		released(carrier, refinery, 12, 14),
		accepted(refinery, carrier, 13, "S1", "S2"),
		{Kind: Received, Party: refinery, At: at(14), Seals: []string{"S1", "S2"}, Counted: true, Count: 3, Ref: "receipt"},
		{Kind: Melted, Party: refinery, At: at(15), Ref: "melt"},
	}
}

func TestSmoothRoute(t *testing.T) {
	route := Trace(smooth(), at(23))
	if len(route.Findings) != 0 {
		t.Errorf("a smooth route has findings: %+v", route.Findings)
	}
	want := []Leg{
		{Holder: mine, From: at(6), To: at(8), Ref: "pack"},
		{Holder: carrier, From: at(8), To: at(13), Seals: []string{"S1", "S2"}, Ref: "acceptance by " + carrier},
		{Holder: refinery, From: at(13), Seals: []string{"S1", "S2"}, Ref: "acceptance by " + refinery},
	}
	if !reflect.DeepEqual(route.Legs, want) {
		t.Errorf("legs %+v\nwant %+v", route.Legs, want)
	}
	if route.Holder() != refinery || !route.State.Melted || len(route.State.Seals) != 0 {
		t.Errorf("state %+v", route.State)
	}
	for _, s := range smooth() {
		if err := s.Check(); err != nil {
			t.Errorf("%s: %v", s.Kind, err)
		}
	}
}

// TestFindings spoils the smooth route in one place each.
func TestFindings(t *testing.T) {
	replace := func(i int, steps ...Step) []Step { return slices.Replace(smooth(), i, i+1, steps...) }
	with := func(i int, change func(*Step)) []Step {
		steps := smooth()
		change(&steps[i])
		return steps
	}
	for _, tt := range []struct {
		name   string
		steps  []Step
		want   []FindingKind
		holder string
	}{
		{"a seal broken", with(2, func(s *Step) { s.Broken = []string{"S1"} }), []FindingKind{SealBroken}, refinery},
		{"a broken seal named as broken only", with(2, func(s *Step) { s.Seals, s.Broken = []string{"S2"}, []string{"S1"} }), []FindingKind{SealBroken}, refinery},
		{"a seal missing, found once", with(2, func(s *Step) { s.Seals = []string{"S2"} }), []FindingKind{SealMissing, SealUnknown}, refinery},
		{"no seal read", with(4, func(s *Step) { s.Seals = nil }), []FindingKind{SealMissing, SealUnknown}, refinery},
		{"a seal unknown", with(4, func(s *Step) { s.Seals = []string{"S1", "S2", "S9"} }), []FindingKind{SealUnknown, SealMissing}, refinery},
		{"a seal in place of another", with(5, func(s *Step) { s.Seals = []string{"S1", "S9"} }), []FindingKind{SealMismatched}, refinery},
		{"another case is another seal", with(5, func(s *Step) { s.Seals = []string{"s1", "S2"} }), []FindingKind{SealMismatched}, refinery},
		{"the releaser reads other seals", with(1, func(s *Step) { s.Seals = []string{"S1"} }), []FindingKind{SealMissing, SealUnknown}, refinery},
		{"the receipt reads no seals", with(5, func(s *Step) { s.Seals = nil }), nil, refinery},
		{"accepted late", with(2, func(s *Step) { s.At = at(8).Add(time.Nanosecond) }), []FindingKind{AcceptedLate}, refinery},
		{"no deadline, no lateness", with(1, func(s *Step) { s.Deadline = time.Time{} }), nil, refinery},
		{"accepted before it was released", with(2, func(s *Step) { s.At = at(7).Add(-time.Minute) }), []FindingKind{CustodyOverlap}, refinery},
		{"accepted at the instant of release", with(2, func(s *Step) { s.At = at(7) }), nil, refinery},
		{"short", with(2, func(s *Step) { s.Counted, s.Count = true, 2 }), []FindingKind{CountShort, CountOver}, refinery},
		{"over at the receipt", with(5, func(s *Step) { s.Count = 4 }), []FindingKind{CountOver}, refinery},
		{"none counted is a count", with(5, func(s *Step) { s.Count = 0 }), []FindingKind{CountShort}, refinery},
		{"not counted is not", with(5, func(s *Step) { s.Counted, s.Count = false, 0 }), nil, refinery},
		{"accepted twice", slices.Insert(smooth(), 3, accepted(carrier, mine, 9, "S1", "S2")), []FindingKind{AcceptedAgain}, refinery},
		{"released twice to the same", slices.Insert(smooth(), 2, released(mine, carrier, 7, 8)), []FindingKind{ReleasedAgain}, refinery},
		{"released to another, then to the carrier", slices.Insert(smooth(), 1, released(mine, airline, 6, 7)), []FindingKind{ReleasedAgain}, refinery},
		{"an incident", slices.Insert(smooth(), 3, Step{Kind: Incident, Party: carrier, At: at(10), Condition: "tarpaulin torn"}), []FindingKind{IncidentReported}, refinery},
		{"an incident with a broken seal", slices.Insert(smooth(), 3, Step{Kind: Incident, Party: carrier, At: at(10), Broken: []string{"S1"}}), []FindingKind{IncidentReported, SealBroken}, refinery},
		{"a step after the melt", append(smooth(), released(refinery, airline, 16, 17)), []FindingKind{AfterMelt}, refinery},
		{"melted by another", replace(6, Step{Kind: Melted, Party: airline, At: at(15)}), []FindingKind{ActedByNonHolder}, refinery},
		{"received by another", replace(5, Step{Kind: Received, Party: airline, At: at(14)}), []FindingKind{ActedByNonHolder}, refinery},
		{"received without acceptance", slices.Delete(smooth(), 4, 5), []FindingKind{ActedByNonHolder, ActedByNonHolder}, carrier},
		{"packed again by another", slices.Insert(smooth(), 1, Step{Kind: Packed, Party: airline, At: at(6), Seals: []string{"S1"}}), []FindingKind{ActedByNonHolder, SealReused, SealUnknown}, refinery},
		{"released by a party that does not hold it", slices.Insert(smooth(), 1, released(airline, carrier, 6, 8)), []FindingKind{ReleasedByNonHolder}, refinery},
		{"accepted from the holder without its release", slices.Insert(smooth(), 1, accepted(airline, mine, 6, "S1", "S2")), []FindingKind{CustodyOverlap}, refinery},
		{"accepted by another than it was released to", slices.Insert(smooth(), 2, accepted(airline, mine, 7, "S1", "S2")), []FindingKind{CustodyOverlap}, refinery},
		{"accepted from a party that does not hold it", slices.Insert(smooth(), 1, accepted(refinery, airline, 6, "S1", "S2")), []FindingKind{CustodyGap}, refinery},
		{"the first record is an acceptance", smooth()[2:], []FindingKind{CustodyGap, SealUnknown}, refinery},
		{"the first record is a release", slices.Concat([]Step{released(mine, carrier, 7, 8)}, []Step{accepted(carrier, mine, 8)}), nil, carrier},
	} {
		route := Trace(tt.steps, time.Time{})
		got := kinds(route.Findings)
		slices.Sort(got)
		want := slices.Clone(tt.want)
		slices.Sort(want)
		if !slices.Equal(got, want) || route.Holder() != tt.holder {
			t.Errorf("%s: %v held by %s, want %v held by %s\n%+v", tt.name, got, route.Holder(), want, tt.holder, route.Findings)
		}
		for _, f := range route.Findings {
			if f.Text == "" || f.Party == "" || f.At.IsZero() {
				t.Errorf("%s: a finding that says too little: %+v", tt.name, f)
			}
		}
	}
}

func TestFindingsCarryTheirFigures(t *testing.T) {
	steps := smooth()
	steps[4].Seals = []string{"S1", "S9"}
	route := Trace(steps[:5], time.Time{})
	found := route.Of(SealMismatched)
	if len(found) != 1 || len(route.Findings) != 1 {
		t.Fatalf("%+v", route.Findings)
	}
	want := Finding{Kind: SealMismatched, Party: refinery, Other: carrier, At: at(13), Ref: "acceptance by " + refinery,
		Expected: []string{"S1", "S2"}, Found: []string{"S1", "S9"}, Text: refinery + " found S9 in place of S2."}
	if !reflect.DeepEqual(found[0], want) {
		t.Errorf("%+v\nwant %+v", found[0], want)
	}
	if !slices.Equal(route.State.Seals, []string{"S1", "S9"}) || !slices.Equal(route.State.Retired, []string{"S2"}) {
		t.Errorf("the seals on record are those last read: %+v", route.State)
	}
	if got := route.Of(SealMissing); got != nil {
		t.Errorf("found %+v", got)
	}
	steps[4] = accepted(refinery, carrier, 15, "S1", "S2")
	late := Trace(steps[:5], time.Time{}).Of(AcceptedLate)
	if len(late) != 1 || late[0].Expected[0] != "2025-05-06T14:00:00-05:00" || late[0].Found[0] != "2025-05-06T15:00:00-05:00" {
		t.Errorf("lateness without its times: %+v", late)
	}
	steps = smooth()
	steps[5].Count = 2
	short := Trace(steps[:6], time.Time{}).Of(CountShort)
	if len(short) != 1 || short[0].Expected[0] != "3" || short[0].Found[0] != "2" {
		t.Errorf("a short count without its figures: %+v", short)
	}
}

func TestOverdue(t *testing.T) {
	state := Trace(smooth()[:2], time.Time{}).State
	for _, now := range []time.Time{at(7), at(8)} { // the deadline itself is in time
		if got := Overdue(state, now); got != nil {
			t.Errorf("at %s: %+v", now, got)
		}
	}
	got := Overdue(state, at(8).Add(1))
	if len(got) != 1 || got[0].Kind != NotAccepted || got[0].Party != mine || got[0].Other != carrier || !got[0].At.Equal(at(8)) {
		t.Errorf("%+v", got)
	}
	if route := Trace(smooth()[:2], at(9)); !slices.Equal(kinds(route.Findings), []FindingKind{NotAccepted}) {
		t.Errorf("%+v", route.Findings)
	}
	if route := Trace(smooth(), at(9)); len(route.Findings) != 0 {
		t.Errorf("accepted and yet overdue: %+v", route.Findings)
	}
}

// TestLateRecordsTakeEffect has a site without a link: its records come after those of the parties down the road.
func TestLateRecordsTakeEffect(t *testing.T) {
	s := smooth()
	for name, order := range map[string][]int{
		"the mine's release comes last":        {0, 2, 3, 4, 1},
		"the carrier's records come last":      {0, 1, 4, 3, 2},
		"the carrier's, the other way round":   {0, 1, 4, 2, 3},
		"everything backwards after the first": {0, 4, 3, 2, 1},
	} {
		var steps []Step
		for _, i := range order {
			steps = append(steps, s[i])
		}
		route := Trace(steps, at(23))
		if route.Holder() != refinery || len(route.State.Waiting) != 0 || route.State.Release != nil {
			t.Errorf("%s: held by %s, waiting %v", name, route.Holder(), route.State.Waiting)
		}
		if len(route.Findings) == 0 {
			t.Errorf("%s: what did not fit was not found", name)
		}
		for _, kind := range []FindingKind{AcceptedLate, NotAccepted, AcceptedAgain, ReleasedAgain} {
			if found := route.Of(kind); found != nil {
				t.Errorf("%s: %+v", name, found)
			}
		}
		var holders []string
		for i, leg := range route.Legs {
			holders = append(holders, leg.Holder)
			if i > 0 && !route.Legs[i-1].To.Equal(leg.From) {
				t.Errorf("%s: legs do not meet: %+v", name, route.Legs)
			}
		}
		if !slices.Equal(holders, []string{mine, carrier, refinery}) {
			t.Errorf("%s: %v", name, holders)
		}
	}
	// Two releases waited: an acceptance decides between them, and without one the later counts.
	two := []Step{packed(4, "S1"), released(carrier, airline, 12, 13), released(carrier, refinery, 14, 15)}
	came := []Step{released(mine, carrier, 7, 8), accepted(carrier, mine, 8, "S1")}
	route := Trace(slices.Concat(two, came), time.Time{})
	if r := route.State.Release; r == nil || r.To != refinery || len(route.Of(ReleasedAgain)) != 1 || route.State.Waiting != nil {
		t.Errorf("the later of two releases does not count: %+v", route)
	}
	route = Trace(slices.Concat([]Step{two[0], two[2], two[1]}, came), time.Time{})
	if r := route.State.Release; r == nil || r.To != refinery || len(route.State.Waiting) != 1 {
		t.Errorf("an earlier release took the place of a later one: %+v", route)
	}
	route = Trace(slices.Concat(two, []Step{accepted(airline, carrier, 13, "S1")}, came), time.Time{})
	if route.Holder() != airline || route.Of(ReleasedAgain) != nil || len(route.State.Waiting) != 1 {
		t.Errorf("the acceptance does not decide: %+v", route)
	}
	// A release from before the holder came to hold it does not take effect later.
	old := released(carrier, airline, 5, 23)
	state := Trace([]Step{packed(4, "S1"), old, released(mine, carrier, 7, 8), accepted(carrier, mine, 8, "S1")}, time.Time{}).State
	if state.Release != nil || len(state.Waiting) != 1 {
		t.Errorf("an older release took effect: %+v", state)
	}
}

func TestTheMeltEndsWhatWasOpen(t *testing.T) {
	melt := Step{Kind: Melted, Party: mine, At: at(8)}
	route := Trace([]Step{packed(6, "S1"), released(mine, carrier, 7, 9), melt}, at(23))
	if len(route.Findings) != 0 || route.State.Release != nil {
		t.Errorf("a melted bar is waited for: %+v", route)
	}
}

func TestSealsTakenOffAtTheReceiptDoNotComeBack(t *testing.T) {
	state := Trace(smooth()[:6], time.Time{}).State
	_, findings := Next(state, Step{Kind: Packed, Party: refinery, At: at(16), Seals: []string{"S2", "S5"}})
	if !slices.Equal(kinds(findings), []FindingKind{SealReused}) || !slices.Equal(findings[0].Found, []string{"S2"}) {
		t.Errorf("%+v", findings)
	}
}

func TestWaitingIsBounded(t *testing.T) {
	var state State
	state, _ = Next(state, packed(1, "S1"))
	for range 10 * maxWaiting {
		state, _ = Next(state, released(airline, carrier, 2, 3))
	}
	if len(state.Waiting) != maxWaiting {
		t.Errorf("%d steps wait, the bound is %d", len(state.Waiting), maxWaiting)
	}
	for i := range 3 * maxRetired {
		state, _ = Next(state, Step{Kind: SealReplaced, Party: mine, At: at(4), Seals: []string{strings.Repeat("x", i%150) + string(rune('A'+i%26)) + time.Duration(i).String()}})
	}
	if len(state.Retired) != maxRetired {
		t.Errorf("%d seals remembered, the bound is %d", len(state.Retired), maxRetired)
	}
}

func TestSealReplaced(t *testing.T) {
	on := Trace([]Step{packed(6, "S1", "S2")}, time.Time{}).State
	for _, tt := range []struct {
		name  string
		step  Step
		seals []string
		want  []FindingKind
	}{
		{"all", Step{Seals: []string{"S3"}}, []string{"S3"}, nil},
		{"one of two", Step{OldSeals: []string{"S1"}, Seals: []string{"S3"}}, []string{"S2", "S3"}, nil},
		{"one that was not on", Step{OldSeals: []string{"S7"}, Seals: []string{"S3"}}, []string{"S1", "S2", "S3"}, []FindingKind{SealUnknown}},
		{"by itself", Step{OldSeals: []string{"S1"}, Seals: []string{"S1"}}, []string{"S1", "S2"}, []FindingKind{SealReused}},
		{"taken off, none put on", Step{}, nil, nil},
	} {
		tt.step.Kind, tt.step.Party, tt.step.At = SealReplaced, mine, at(7)
		state, findings := Next(on, tt.step)
		if !slices.Equal(state.Seals, tt.seals) || !slices.Equal(kinds(findings), tt.want) {
			t.Errorf("%s: %v, %v; want %v, %v", tt.name, state.Seals, kinds(findings), tt.seals, tt.want)
		}
	}
	state, _ := Next(on, Step{Kind: SealReplaced, Party: mine, At: at(7), OldSeals: []string{"S1"}, Seals: []string{"S3"}})
	_, findings := Next(state, Step{Kind: SealReplaced, Party: mine, At: at(8), OldSeals: []string{"S3"}, Seals: []string{"S1"}})
	if !slices.Equal(kinds(findings), []FindingKind{SealReused}) || findings[0].Found[0] != "S1" {
		t.Errorf("a seal came back unseen: %+v", findings)
	}
}

func TestCheckRefuses(t *testing.T) {
	many := make([]string, maxSeals+1)
	for i := range many {
		many[i] = time.Duration(i).String()
	}
	for _, tt := range []struct {
		spoil         func(*Step)
		reason, field string
	}{
		{func(s *Step) { s.Kind = "lost" }, "CUSTODY_KIND_UNKNOWN", "kind"},
		{func(s *Step) { s.Kind = "" }, "CUSTODY_KIND_UNKNOWN", "kind"},
		{func(s *Step) { s.Party = "" }, "PARTY_MISSING", "party"},
		{func(s *Step) { s.At = time.Time{} }, "TIME_MISSING", "at"},
		{func(s *Step) { s.Counterparty = "" }, "COUNTERPARTY_MISSING", "counterparty"},
		{func(s *Step) { s.Kind, s.Counterparty = Accepted, "" }, "COUNTERPARTY_MISSING", "counterparty"},
		{func(s *Step) { s.Counterparty = s.Party }, "HANDOFF_TO_SELF", "counterparty"},
		{func(s *Step) { s.Deadline = s.At.Add(-1) }, "DEADLINE_BEFORE_RELEASE", "deadline"},
		{func(s *Step) { s.Count = -1 }, "COUNT_OUT_OF_RANGE", "count"},
		{func(s *Step) { s.Count = maxCount + 1 }, "COUNT_OUT_OF_RANGE", "count"},
		{func(s *Step) { s.Party = strings.Repeat("x", maxText+1) }, "TEXT_TOO_LONG", "party"},
		{func(s *Step) { s.Condition = strings.Repeat("x", maxRemark+1) }, "TEXT_TOO_LONG", "condition"},
		{func(s *Step) { s.Seals = []string{"S1", " "} }, "SEAL_EMPTY", "seals[1]"},
		{func(s *Step) { s.Seals = []string{"S1", " S1"} }, "SEAL_REPEATED", "seals[1]"},
		{func(s *Step) { s.Seals = many }, "SEALS_TOO_MANY", "seals"},
		{func(s *Step) { s.Broken = []string{""} }, "SEAL_EMPTY", "broken[0]"},
		{func(s *Step) { s.OldSeals = []string{strings.Repeat("x", maxText+1)} }, "TEXT_TOO_LONG", "old_seals[0]"},
		{func(s *Step) { s.Kind, s.Broken = Packed, []string{"S1"} }, "SEALS_UNCLEAR", "broken"},
	} {
		s := released(mine, carrier, 7, 8)
		tt.spoil(&s)
		r := refusal.As(s.Check())
		if r == nil || r.Reason != tt.reason || r.Field != tt.field || len(r.Text) < 20 {
			t.Errorf("got %+v, want %s at %s", r, tt.reason, tt.field)
		}
	}
	s := released(mine, carrier, 7, 7)
	if err := s.Check(); err != nil {
		t.Errorf("a deadline at the release: %v", err)
	}
}

func TestNextLeavesItsArgumentAlone(t *testing.T) {
	for i, step := range smooth() {
		before := Trace(smooth()[:i], time.Time{}).State
		before, _ = Next(before, released(airline, carrier, 1, 2)) // so that something waits
		copied, err := json.Marshal(before)
		if err != nil {
			t.Fatal(err)
		}
		Next(before, step)
		if after, err := json.Marshal(before); err != nil || string(after) != string(copied) {
			t.Errorf("step %d changed the state it was given:\n%s\n%s", i, copied, after)
		}
	}
}

package custody

import (
	"encoding/json"
	"reflect"
	"slices"
	"testing"
	"time"

	"pgregory.net/rapid"
)

var (
	parties = []string{mine, carrier, airline, refinery}
	numbers = []string{"S1", "S2", "S3", "S4"}
	every   = []Kind{Packed, Released, Accepted, SealReplaced, Received, Incident, Melted}
)

// anyStep draws a step that Check accepts, melts being rare so that routes are long.
func anyStep(t *rapid.T) Step {
	s := Step{
		Kind:    rapid.SampledFrom(slices.Concat(every[:6], every[:6], every)).Draw(t, "kind"),
		Party:   rapid.SampledFrom(parties).Draw(t, "party"),
		At:      at(rapid.IntRange(0, 23).Draw(t, "hour")).UTC(),
		Seals:   rapid.SliceOfNDistinct(rapid.SampledFrom(numbers), 0, 3, rapid.ID[string]).Draw(t, "seals"),
		Counted: rapid.Bool().Draw(t, "counted"),
		Count:   rapid.IntRange(0, 4).Draw(t, "count"),
	}
	if s.Kind == Released || s.Kind == Accepted {
		s.Counterparty = rapid.SampledFrom(slices.DeleteFunc(slices.Clone(parties), func(p string) bool { return p == s.Party })).Draw(t, "counterparty")
	}
	if s.Kind == Released && rapid.Bool().Draw(t, "has deadline") {
		s.Deadline = s.At.Add(time.Hour)
	}
	if s.Kind != Packed && s.Kind != SealReplaced && rapid.Bool().Draw(t, "has broken") {
		s.Broken = []string{rapid.SampledFrom(numbers).Draw(t, "broken")}
	}
	return s
}

// TestTraceIsTheFoldOfNext, with the state stored as JSON between the steps, as the book stores it.
func TestTraceIsTheFoldOfNext(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		steps := rapid.SliceOfN(rapid.Custom(anyStep), 0, 25).Draw(t, "steps")
		var state State
		var findings []Finding
		for _, s := range steps {
			if err := s.Check(); err != nil {
				t.Fatal(err)
			}
			next, found := Next(state, s)
			findings = append(findings, found...)
			stored, err := json.Marshal(next)
			if err != nil {
				t.Fatal(err)
			}
			state = State{}
			if err := json.Unmarshal(stored, &state); err != nil {
				t.Fatal(err)
			}
		}
		route := Trace(steps, time.Time{})
		if !reflect.DeepEqual(route.State, state) {
			t.Fatalf("trace ends in\n%+v\nthe fold in\n%+v", route.State, state)
		}
		if !reflect.DeepEqual(route.Findings, findings) {
			t.Fatalf("trace finds %v, the fold %v", kinds(route.Findings), kinds(findings))
		}
	})
}

// TestOneHolderWhateverComes: the holder changes only by its own release and the other's acceptance; legs meet.
func TestOneHolderWhateverComes(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		steps := rapid.SliceOfN(rapid.Custom(anyStep), 1, 25).Draw(t, "steps")
		route := Trace(steps, time.Time{})
		gaveUp, got := map[[2]string]bool{}, map[[2]string]bool{}
		for _, s := range steps {
			switch s.Kind {
			case Released:
				gaveUp[[2]string{s.Party, s.Counterparty}] = true
			case Accepted:
				got[[2]string{s.Counterparty, s.Party}] = true
			}
		}
		for i, leg := range route.Legs {
			if last := i == len(route.Legs)-1; last != leg.To.IsZero() {
				t.Fatalf("leg %d of %d ends at %s", i, len(route.Legs), leg.To)
			}
			if i == 0 {
				continue
			}
			pair := [2]string{route.Legs[i-1].Holder, leg.Holder}
			if pair[0] == pair[1] || !gaveUp[pair] || !got[pair] {
				t.Fatalf("from %s to %s without the records of both", pair[0], pair[1])
			}
		}
		if n := len(route.Legs); n > 0 && route.Legs[n-1].Holder != route.State.Holder {
			t.Fatalf("the last leg is %s's, the holder %s", route.Legs[n-1].Holder, route.State.Holder)
		}
	})
}

func TestCompareSeals(t *testing.T) {
	for _, tt := range []struct{ expected, found, missing, unknown []string }{
		{nil, nil, nil, nil},
		{[]string{"B", "A"}, []string{"A", "B"}, nil, nil},
		{[]string{" A "}, []string{"A\t"}, nil, nil},
		{[]string{"A", "B"}, []string{"B"}, []string{"A"}, nil},
		{[]string{"A"}, []string{"A", "C", "B"}, nil, []string{"B", "C"}},
		{[]string{"A"}, []string{"B"}, []string{"A"}, []string{"B"}},
		{[]string{"a"}, []string{"A"}, []string{"a"}, []string{"A"}},
		{[]string{"007"}, []string{"7"}, []string{"007"}, []string{"7"}},
		{[]string{"A", "A", ""}, []string{"A", " "}, nil, nil},
	} {
		missing, unknown := CompareSeals(tt.expected, tt.found)
		if !slices.Equal(missing, tt.missing) || !slices.Equal(unknown, tt.unknown) {
			t.Errorf("%q against %q: missing %q, unknown %q", tt.expected, tt.found, missing, unknown)
		}
		unknown, missing = CompareSeals(tt.found, tt.expected)
		if !slices.Equal(missing, tt.missing) || !slices.Equal(unknown, tt.unknown) {
			t.Errorf("%q against %q is not the same the other way round", tt.found, tt.expected)
		}
	}
	known := map[string]bool{"A": true, "B": true}
	if got := Reused([]string{"C", " B", "A"}, func(s string) bool { return known[s] }); !slices.Equal(got, []string{"A", "B"}) {
		t.Errorf("reused %q", got)
	}
}

// FuzzNext: no sequence of steps read from JSON, checked or not, makes the fold panic, and both ways of folding agree.
func FuzzNext(f *testing.F) {
	seed, err := json.Marshal(smooth())
	if err != nil {
		f.Fatal(err)
	}
	f.Add(seed)
	f.Add([]byte(`[{"kind":"accepted","party":"a","counterparty":"a"},{"kind":"melted"},{"kind":"packed","seals":[""," "]}]`))
	f.Fuzz(func(t *testing.T, b []byte) {
		var steps []Step
		if json.Unmarshal(b, &steps) != nil || len(steps) > 100 {
			return
		}
		var state State
		n := 0
		for _, s := range steps {
			next, found := Next(state, s)
			state, n = next, n+len(found)
		}
		route := Trace(steps, time.Time{})
		if len(route.Findings) != n || route.Holder() != state.Holder {
			t.Fatalf("trace finds %d, the fold %d", len(route.Findings), n)
		}
		if len(state.Waiting) > maxWaiting || len(state.Retired) > maxRetired {
			t.Fatalf("%d wait, %d remembered", len(state.Waiting), len(state.Retired))
		}
	})
}

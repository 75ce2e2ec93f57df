package evidence

import (
	"context"
	"errors"
	"slices"
	"strings"
	"testing"
	"time"

	"barward/internal/ledger/proof"
	"barward/internal/refusal"
	pb "barward/proto/barward/v1"
)

// source answers from a world, with the things that a test puts there. What it does not have is unknown, as for a party
// that may not see it.
type source struct {
	*world
	things map[string]*pb.Thing
	hidden map[uint64]bool
	broken error
}

var errUnknown = refusal.New(refusal.NotFound, "NAME_UNKNOWN", "", "It is not on record for your party.")

func (s *source) Get(_ context.Context, kind pb.ThingKind, name string) (*pb.Thing, error) {
	if t := s.things[kind.String()+" "+name]; t != nil {
		return t, nil
	}
	return nil, errUnknown
}

func (s *source) Walk(_ context.Context, kind pb.ThingKind, _ string, more func(*pb.Thing) bool) error {
	for name, t := range s.things {
		if strings.HasPrefix(name, kind.String()+" ") && !more(t) {
			return nil
		}
	}
	return nil
}

func (s *source) Trace(_ context.Context, bar string) (*pb.TraceBarResponse, error) {
	return &pb.TraceBarResponse{Steps: []*pb.RouteStep{{Entry: 5}}}, s.broken
}

func (s *source) Entry(_ context.Context, n uint64) (*pb.Entry, error) {
	if n >= uint64(len(s.entries)) || s.hidden[n] {
		return nil, refusal.New(refusal.NotFound, "ENTRY_NOT_FOUND", "", "There is no such entry that your party may read.")
	}
	records, _ := (&Pack{Entries: s.entries}).records()
	register(records)
	return &pb.Entry{Sequence: n, Leaf: s.entries[n].Leaf, Event: s.events[n], Author: records[n].by()}, nil
}

func (s *source) Entries(ctx context.Context, kind string, more func(*pb.Entry) bool) error {
	for n := range s.entries {
		if e, err := s.Entry(ctx, uint64(n)); err == nil && kind == "countersigned" &&
			e.GetEvent().GetCountersigned() != nil && !more(e) {
			return nil
		}
	}
	return nil
}

func (s *source) Checkpoint(context.Context) ([]byte, string, error) {
	_, note := s.checkpoint(uint64(len(s.entries)))
	return note, s.logKey + "\n", nil
}

func (s *source) ProveInclusion(_ context.Context, n, size uint64) ([]proof.Hash, error) {
	return s.paths(size)[n].Path, nil
}

func (s *source) ProveConsistency(_ context.Context, old, size uint64) ([]proof.Hash, error) {
	return s.consistency(old, size), nil
}

// shelf is the register of the world gold and its bar, as a service would show them.
func shelf(w *world) *source {
	s := &source{world: w, things: map[string]*pb.Thing{}, hidden: map[uint64]bool{}}
	for name, entries := range map[string][]uint64{"lanternfold/odo": {1}, "quillmoss/wren": {3}, "quillmoss/ibbet": {4}} {
		party, _, _ := strings.Cut(name, "/")
		s.put(pb.ThingKind_THING_KIND_PERSON, name, &pb.Thing{Thing: &pb.Thing_Person{Person: &pb.Person{Name: name,
			Party: party, Entries: entries}}})
	}
	s.put(pb.ThingKind_THING_KIND_PARTY, "lanternfold",
		&pb.Thing{Thing: &pb.Thing_Party{Party: &pb.Party{Name: "lanternfold", Entries: []uint64{0}}}})
	s.put(pb.ThingKind_THING_KIND_PARTY, "quillmoss",
		&pb.Thing{Thing: &pb.Thing_Party{Party: &pb.Party{Name: "quillmoss", Entries: []uint64{2}}}})
	s.put(pb.ThingKind_THING_KIND_BAR, "quillmoss/QM-1",
		&pb.Thing{Thing: &pb.Thing_Bar{Bar: &pb.Bar{Name: "quillmoss/QM-1",
			Weights: []*pb.WeightRecord{{Entry: 5, Balance: "quillmoss/QB1"}}}}})
	return s
}

func (s *source) put(kind pb.ThingKind, name string, t *pb.Thing) {
	s.things[kind.String()+" "+name] = t
}

func (s *source) gather(about What) (Pack, error) {
	return Gather(context.Background(), s, about, "quillmoss/ibbet", s.key("quillmoss/ibbet"), time.Date(2025, 4, 5, 10,
		0, 0, 7, time.UTC))
}

// From one entry on the bar the gathering comes to all that vouches for its author, up to the founder; what others have
// on record stays out.
func TestGatherFollowsEveryAuthor(t *testing.T) {
	w := gold(t)
	w.record("quillmoss/ibbet", &pb.IncidentReported{Subject: "quillmoss/other",
		Description: "none of this bar's business"})
	s := shelf(w)
	p, err := s.gather(goldBar)
	if err != nil {
		t.Fatal(err)
	}
	var got []uint64
	for _, e := range p.Entries {
		got = append(got, e.Sequence)
	}
	if !slices.Equal(got, []uint64{0, 1, 2, 3, 4, 5}) || len(p.Withheld) != 0 ||
		!p.Exported.Equal(time.Date(2025, 4, 5, 10, 0, 0, 0, time.UTC)) {
		t.Errorf("entries %v, withheld %v, exported %v", got, p.Withheld, p.Exported)
	}
	w.sound(p)
}

// An entry that the exporter's party may not read is named as withheld, in the file and in the report.
func TestGatherNamesWhatIsWithheld(t *testing.T) {
	w := gold(t)
	w.record("quillmoss/wren", &pb.IncidentReported{Subject: "quillmoss/QM-1", Description: "not for everyone"})
	s := shelf(w)
	s.things[pb.ThingKind_THING_KIND_BAR.String()+" quillmoss/QM-1"].GetBar().Weights[0].SupersededBy = 6
	s.hidden[6] = true
	p, err := s.gather(goldBar)
	if err != nil || !slices.Equal(p.Withheld, []uint64{6}) {
		t.Fatalf("withheld %v, %v", p.Withheld, err)
	}
	r := w.sound(p)
	if !strings.Contains(strings.Join(r.NotProven, "\n"), "What stands in entry 6: the exporter") {
		t.Errorf("%q", r.NotProven)
	}
}

// Cosigned checkpoints come along with the proof that the log continued them; one of another log does not.
func TestGatherTakesCosignaturesAlong(t *testing.T) {
	w := gold(t)
	_, older := w.checkpoint(5)
	note := w.cosigned(older, "quillmoss/wren")
	w.record("quillmoss/wren", &pb.CheckpointCosigned{Note: string(note)})
	s := shelf(w)
	put := func(party string, note []byte) {
		s.put(pb.ThingKind_THING_KIND_COSIGNATURE, party,
			&pb.Thing{Thing: &pb.Thing_Cosignature{Cosignature: &pb.Cosignature{Name: party, CosignedBy: "quillmoss/wren",
				Note: string(note)}}})
	}
	put("quillmoss", note)
	put("elsewhere", []byte("no note"))
	p, err := s.gather(goldBar)
	if err != nil || len(p.Cosigned) != 1 || len(p.Consistency) != 1 || p.Consistency[0].Size != 5 {
		t.Fatalf("%d notes, %d proofs, %v", len(p.Cosigned), len(p.Consistency), err)
	}
	if r := w.sound(p); len(r.Cosigned) != 2 || r.Cosigned[0].Person != "quillmoss/wren" || r.Cosigned[0].Covers != 5 {
		t.Errorf("%+v", r.Cosigned)
	}
}

func TestGatherRefuses(t *testing.T) {
	s := shelf(gold(t))
	_, err := s.gather(What{Bar, "quillmoss/none"})
	wantReason(t, err, "NAME_UNKNOWN")
	_, err = s.gather(What{Discrepancy, "d5.1"})
	wantReason(t, err, "NAME_UNKNOWN")
	_, err = s.gather(What{Bar, ""})
	wantReason(t, err, "EVIDENCE_ABOUT")
	s.broken = errors.New("the link is down")
	if _, err = s.gather(goldBar); !errors.Is(err, s.broken) {
		t.Errorf("%v", err)
	}
}

// A discrepancy that was decided brings who agreed to the decision.
func TestGatherADispute(t *testing.T) {
	w := gold(t)
	n := w.record("quillmoss/wren", &pb.DiscrepancyDecided{Discrepancy: "d5.1", Decision: pb.Decision_DECISION_ACCEPTED,
		Reason: "seen"})
	w.countersign("quillmoss/ibbet", n)
	w.countersign("quillmoss/ibbet", 4) // of something else
	s := shelf(w)
	s.put(pb.ThingKind_THING_KIND_DISCREPANCY, "d5.1",
		&pb.Thing{Thing: &pb.Thing_Discrepancy{Discrepancy: &pb.Discrepancy{Name: "d5.1",
			Subject: "quillmoss/QM-1", Entry: 5, DecidedEntry: n}}})
	p, err := s.gather(What{Discrepancy, "d5.1"})
	if err != nil {
		t.Fatal(err)
	}
	var got []uint64
	for _, e := range p.Entries {
		got = append(got, e.Sequence)
	}
	if !slices.Equal(got, []uint64{0, 1, 2, 3, 4, 5, 6, 7}) {
		t.Errorf("entries %v", got)
	}
	w.sound(p)
	p.About.Name = "d9.1"
	w.wantFinding(w.write(p), "ABOUT_NOTHING")
}

func TestCalendarsOf(t *testing.T) {
	got := calendarsOf(`{"a":{"calendars":["two","one"]},"b":[{"calendars":["one"]},{"calendars":7}]}`)
	if !slices.Equal(got, []string{"one", "two"}) {
		t.Errorf("%v", got)
	}
	if calendarsOf("{") != nil {
		t.Error("broken terms have calendars")
	}
}

var _ Source = (*source)(nil)

package station

import (
	"bytes"
	"errors"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"barward/client/outbox"
	"barward/client/station/stationtest"
	"barward/internal/ledger/proof"
	pb "barward/proto/barward/v1"
)

// lies are the ways in which a log breaks its word. Each is told while a station is at work, between two connections.
var lies = []struct {
	name, reason string
	lie          func(leaves [][]byte) [][]byte
}{
	{"rolled back", "LOG_ROLLED_BACK", func(leaves [][]byte) [][]byte { return leaves[:1] }},
	{"forked at one size", "LOG_FORKED", stationtest.Another},
	{"forked and grown", "LOG_FORKED", func(leaves [][]byte) [][]byte {
		return append(stationtest.Another(leaves), leaves[1])
	}},
}

// reconnected has the service go away and come back at the same address, with another history.
func reconnected(t *testing.T, f *stationtest.Service, server string, stop func(), lie func([][]byte) [][]byte) {
	t.Helper()
	stop()
	f.Rewrite(lie)
	f.Serve(t, server)
}

// What comes over a new connection is believed only after the log has shown that it goes on as before; what was shown
// before and what is shown now are both kept, and nothing more is asked.
func TestEveryConnectionIsHeldToItsWord(t *testing.T) {
	for _, tt := range lies {
		t.Run(tt.name, func(t *testing.T) {
			f := stationtest.New(t)
			server, stop := f.Serve(t, "127.0.0.1:0")
			s := bench(t, f, server)
			record(t, s, incident, incident)
			before := s.SeenNote()
			reconnected(t, f, server, stop, tt.lie)
			var alarm *Untrusted
			until(t, "the alarm is raised", func() bool {
				s.tryNow()
				thing, err := s.Get(t.Context(), pb.ThingKind_THING_KIND_PERSON, "ottermere/ana")
				if err == nil {
					t.Fatalf("believed %v of a log that broke its word", thing)
				}
				return errors.As(err, &alarm)
			})
			wantReason(t, alarm, tt.reason)
			for name, want := range map[string][]byte{"checkpoint-before": before, "checkpoint-found": f.Note()} {
				if got, err := os.ReadFile(filepath.Join(alarm.Evidence, name)); err != nil || !bytes.Equal(got, want) {
					t.Errorf("%s is %q (%v), want %q", name, got, err, want)
				}
			}
			if kept := s.SeenNote(); !bytes.Equal(kept, before) {
				t.Errorf("the checkpoint remembered is %q now", kept)
			}
			asked := f.Asked()
			for _, err := range []error{s.Advance(t.Context()), s.Flush(t.Context(), nil), s.LookBack(t.Context(), nil),
				second(s.Entry(t.Context(), 0))} {
				if err != nil && !errors.As(err, &alarm) {
					t.Errorf("after the alarm: %v", err)
				}
			}
			if f.Asked() != asked {
				t.Error("the log was asked again after the alarm")
			}
			if alarms, _ := os.ReadDir(s.Home().Path("evidence")); len(alarms) != 1 {
				t.Errorf("%d alarms are kept of one", len(alarms))
			}
		})
	}
}

func second[A any](_ A, err error) error { return err }

// A log that broke its word gets nothing more to keep, though it was good when this station began.
func TestNothingIsSentToAnotherLog(t *testing.T) {
	for _, tt := range lies {
		t.Run(tt.name, func(t *testing.T) {
			f := stationtest.New(t)
			server, stop := f.Serve(t, "127.0.0.1:0")
			s := bench(t, f, server)
			record(t, s, incident, incident)
			reconnected(t, f, server, stop, tt.lie)
			put(t, s, incident)
			received := f.Received()
			var alarm *Untrusted
			until(t, "the alarm is raised", func() bool {
				err := s.Flush(t.Context(), nil)
				if err == nil {
					t.Fatal("sent to a log that broke its word")
				}
				return errors.As(err, &alarm)
			})
			if f.Received() != received {
				t.Errorf("%d events reached it", f.Received()-received)
			}
			if waiting, err := s.Outbox().Waiting(outbox.MaxPage); err != nil || len(waiting) != 1 {
				t.Errorf("%d wait (%v), want the one that was not sent", len(waiting), err)
			}
		})
	}
}

// A log that breaks its word on a connection that was good is found by the look that ends each run, even where the run
// itself was refused.
func TestLookBack(t *testing.T) {
	for _, tt := range lies {
		t.Run(tt.name, func(t *testing.T) {
			f := stationtest.New(t)
			server, _ := f.Serve(t, "127.0.0.1:0")
			s := bench(t, f, server)
			record(t, s, incident, incident)
			f.Rewrite(tt.lie)
			_, err := s.Get(t.Context(), pb.ThingKind_THING_KIND_BAR, "ottermere/none")
			if err == nil {
				t.Fatal("there is a bar that nobody poured")
			}
			var alarm *Untrusted
			if err := s.LookBack(t.Context(), err); !errors.As(err, &alarm) {
				t.Errorf("the run ended with %v", err)
			}
			wantReason(t, alarm, tt.reason)
		})
	}
	f := stationtest.New(t)
	server, _ := f.Serve(t, "127.0.0.1:0")
	s := bench(t, f, server)
	record(t, s, incident)
	if err := s.LookBack(t.Context(), nil); err != nil {
		t.Error(err)
	}
	asked := f.Asked()
	if err := s.LookBack(t.Context(), nil); err != nil || f.Asked() != asked {
		t.Errorf("where nothing was asked since, the log was looked at again (%v)", err)
	}
}

// A leaf that is not what was signed is kept with the receipt for it, beside the checkpoint that the log signed.
func TestRewrittenLeafIsEvidence(t *testing.T) {
	f := stationtest.New(t)
	server, _ := f.Serve(t, "127.0.0.1:0")
	s := bench(t, f, server)
	record(t, s, incident)
	before := s.SeenNote()
	f.Entry = func(e *pb.Entry) { // the time of record, which its author did not sign
		e.Leaf = bytes.Clone(e.Leaf)
		e.Leaf[10] ^= 1
	}
	put(t, s, incident)
	var alarm *Untrusted
	if err := s.Flush(t.Context(), nil); !errors.As(err, &alarm) {
		t.Fatalf("the flush ended with %v", err)
	}
	lied := f.EntryAt(1)
	f.Entry(lied)
	if got, err := os.ReadFile(filepath.Join(alarm.Evidence, "entry")); err != nil || !bytes.Equal(got, lied.Leaf) {
		t.Errorf("the entry is not kept as it was shown (%v)", err)
	}
	got, err := os.ReadFile(filepath.Join(alarm.Evidence, "receipt.json"))
	if err != nil || !strings.Contains(string(got), "leafHash") {
		t.Errorf("the receipt is %s (%v)", got, err)
	}
	got, err = os.ReadFile(filepath.Join(alarm.Evidence, "checkpoint-before"))
	if err != nil || !bytes.Equal(got, before) {
		t.Errorf("checkpoint-before is %q (%v), want %q", got, err, before)
	}
	if info, err := os.Stat(filepath.Join(alarm.Evidence, "entry")); err != nil || info.Mode().Perm() != 0o600 {
		t.Errorf("its mode is %v (%v)", info.Mode(), err)
	}
}

// An entry is what was asked for, as signed, and in the tree.
func TestEntry(t *testing.T) {
	for name, lie := range map[string]func(*pb.Entry){
		"another number":     func(e *pb.Entry) { e.Sequence = 0 },
		"another leaf":       func(e *pb.Entry) { e.Leaf = bytes.Clone(e.Leaf); e.Leaf[10] ^= 1 },
		"a broken signature": func(e *pb.Entry) { e.Leaf = bytes.Clone(e.Leaf); e.Leaf[20] ^= 1 },
		"another event":      func(e *pb.Entry) { e.Event.Place = "ottermere/elsewhere" },
	} {
		t.Run(name, func(t *testing.T) {
			f := stationtest.New(t)
			server, _ := f.Serve(t, "127.0.0.1:0")
			s := bench(t, f, server)
			record(t, s, incident, incident)
			e, err := s.Entry(t.Context(), 1)
			if err != nil || e.GetEvent().GetIncidentReported().GetDescription() != incident.GetDescription() {
				t.Fatalf("%v, %v", e, err)
			}
			if byID, err := s.FindEntry(t.Context(), e.GetEvent().GetEventId()); err != nil || byID.GetSequence() != 1 {
				t.Errorf("by its id %v, %v", byID, err)
			}
			f.Entry = lie
			var alarm *Untrusted
			if _, err := s.Entry(t.Context(), 1); !errors.As(err, &alarm) {
				t.Errorf("%v", err)
			}
		})
	}
}

// The memory of a log outlives the process, and another program may move it on meanwhile.
func TestSeenIsRemembered(t *testing.T) {
	f := stationtest.New(t)
	server, _ := f.Serve(t, "127.0.0.1:0")
	s := bench(t, f, server)
	record(t, s, incident)
	other := benchOf(t, s.Key(), server, func(c *Config) { c.Home = s.Home().Folder })
	if at, ok := other.Seen(); !ok || at.Size != 1 {
		t.Errorf("another program sees %v, %v", at, ok)
	}
	record(t, other, incident)
	if err := s.Advance(t.Context()); err != nil {
		t.Errorf("another program moved the memory on, and that is taken for an alarm: %v", err)
	}
	unsigned := "log.example/test\n9\n" + proof.EmptyRoot.String() + "\n\n— x AAAAAAAA\n"
	if err := os.WriteFile(s.Home().Path("outbox/checkpoint"), []byte(unsigned), 0o600); err != nil {
		t.Fatal(err)
	}
	forged := benchOf(t, s.Key(), server, func(c *Config) { c.Home = s.Home().Folder })
	if _, ok := forged.Seen(); ok {
		t.Error("a checkpoint that the log did not sign is taken for seen")
	}
	var alarm *Untrusted
	if err := forged.Advance(t.Context()); !errors.As(err, &alarm) {
		t.Errorf("a forged memory: %v", err)
	}
}

// A receipt whose proof was cut off is proven by the next sending, and not taken for proven meanwhile.
func TestTheProofComesLater(t *testing.T) {
	f := stationtest.New(t)
	server, stop := f.Serve(t, "127.0.0.1:0")
	s := bench(t, f, server)
	record(t, s, incident)
	put(t, s, incident)
	var unproven *Unproven
	if err := s.Flush(t.Context(), func(Answer) { stop() }); !errors.As(err, &unproven) || unproven.Count != 1 {
		t.Fatalf("the link was lost before the proof: %v", err)
	}
	f.Entry = func(e *pb.Entry) { // what the receipt was for is something else
		e.Leaf = bytes.Clone(e.Leaf)
		e.Leaf[10] ^= 1
	}
	f.Serve(t, server)
	var alarm *Untrusted
	until(t, "the proof is asked for", func() bool {
		err := s.Flush(t.Context(), nil)
		if err == nil {
			t.Fatal("a receipt counts that was never proven")
		}
		return errors.As(err, &alarm)
	})
}

package main

import (
	"encoding/json"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/proto"

	"barward/client/station"
	"barward/client/station/stationtest"
	"barward/internal/ledger/proof"
	pb "barward/proto/barward/v1"
)

var incident = []string{"handoff", "incident", "C-7", "--describe", "truck stood at the gate"}

func TestRecordedProvenAndPinned(t *testing.T) {
	f := newFake(t)
	server, _ := f.Serve(t, "127.0.0.1:0")
	d := newDesk(t, f, server)
	d.run(append(incident, "--at", "2026-03-02T07:40:00-05:00", "--place", "plant")...).want(t, exitDone,
		"✓ recorded as entry 0: incident reported", "First use of the log log.example/test")
	event := f.Event(0)
	if got := event.GetIncidentReported().GetSubject(); got != "ottermere/C-7" {
		t.Errorf("a short reference became %q", got)
	}
	if event.GetPlace() != "ottermere/plant" || event.GetOccurredAt() != "2026-03-02T07:40:00-05:00" {
		t.Errorf("place %q, occurred at %q", event.GetPlace(), event.GetOccurredAt())
	}
	d.run(incident...).want(t, exitDone, "recorded as entry 1").wantNot(t, "First use")
	kept, err := os.ReadFile(filepath.Join(d.home, station.LogKeyFile))
	if err != nil || strings.TrimSpace(string(kept)) != f.Public {
		t.Errorf("kept key %q (%v), want %q", kept, err, f.Public)
	}
	d.run("ledger", "checkpoint").want(t, exitDone, "2 entries", "✓ it continues the 2 entries seen before")
	d.run("ledger", "verify-inclusion", "1").want(t, exitDone,
		"✓ entry 1 (incident reported, by ottermere/ana) is in the signed tree of 2 entries")
	d.run("ledger", "entry", "0").want(t, exitDone, "truck stood at the gate", "signature checked")
	d.run("ledger", "entries").want(t, exitDone, "incident reported")
}

func TestAnswersForPrograms(t *testing.T) {
	f := newFake(t)
	f.Raise = func(*pb.Event) []*pb.Discrepancy {
		return []*pb.Discrepancy{{Name: "d0.1", Kind: pb.DiscrepancyKind_DISCREPANCY_KIND_INCIDENT,
			Subject: "ottermere/C-7", Words: "somebody must look"}}
	}
	server, _ := f.Serve(t, "127.0.0.1:0")
	d := newDesk(t, f, server)
	d.run(incident...).want(t, exitDone, "! d0.1  incident, ottermere/C-7; somebody must look")
	var receipt struct {
		Sequence      string
		Discrepancies []struct{ Name string }
	}
	got := d.run(append(incident, "-o", "json")...).want(t, exitDone)
	if err := json.Unmarshal([]byte(got.out),
		&receipt); err != nil || receipt.Sequence != "1" || len(receipt.Discrepancies) != 1 {
		t.Errorf("receipt %+v of %s (%v)", receipt, got.out, err)
	}
	rows := strings.Split(d.run(append(incident, "-o", "csv")...).want(t, exitDone).out, "\r\n")
	if rows[0] != "entry,event,kind,result" || !strings.HasPrefix(rows[1], "2,") {
		t.Errorf("rows %q", rows)
	}
	var list []map[string]any
	got = d.run("person", "list", "-o", "json", "--all").want(t, exitDone)
	if err := json.Unmarshal([]byte(got.out), &list); err != nil || len(list) != 3 || list[1]["display_name"] != "Ana" {
		t.Errorf("list %v (%v)", list, err)
	}
	d.run("person", "list").want(t, exitDone, "There are more: --page-token")
	d.run("person", "list", "-o", "csv", "--all").want(t, exitDone, "person,name,roles,key,revoked at\r\n",
		"\r\nzebra/zoe,")
	d.run("person", "me").want(t, exitDone, "ottermere/ana")
}

// A lost link loses nothing, and what was sent twice is recorded once.
func TestLinkDown(t *testing.T) {
	f := newFake(t)
	server, stop := f.Serve(t, "127.0.0.1:0")
	d := newDesk(t, f, server)
	d.run("person", "me").want(t, exitDone) // so that the party is known
	d.run(incident...).want(t, exitDone)
	stop()
	d.run(incident...).want(t, exitKept, "1 kept in the outbox, not yet recorded; `barward ledger send` sends what waits")
	d.run(incident...).want(t, exitKept, "2 kept in the outbox")
	d.run("ledger", "outbox").want(t, exitDone, "waiting", "incident reported")
	if f.Size() != 1 {
		t.Fatalf("%d entries without a link", f.Size())
	}
	f.Serve(t, server)
	d.run("ledger", "send").want(t, exitDone, "recorded as entry 1", "recorded as entry 2")
	d.run("ledger", "send").want(t, exitDone, "Nothing waits.")
	if f.Size() != 3 {
		t.Errorf("%d entries, want 3", f.Size())
	}
}

func TestRefusedStaysUntilDismissed(t *testing.T) {
	f := newFake(t)
	f.Refuse = func(e *pb.Event) *pb.Refusal {
		if strings.Contains(e.GetIncidentReported().GetDescription(), "bad") {
			return &pb.Refusal{Code: int32(codes.NotFound), Reason: "CONSIGNMENT_UNKNOWN", Field: "subject",
				Message: "subject: There is no consignment C-9. Advise it first."}
		}
		return nil
	}
	server, _ := f.Serve(t, "127.0.0.1:0")
	d := newDesk(t, f, server)
	got := d.run("handoff", "incident", "C-9", "--describe", "bad").want(t, exitRefused,
		"REFUSED  incident reported: subject: There is no consignment C-9. Advise it first. [CONSIGNMENT_UNKNOWN]")
	_, id, _ := strings.Cut(got.complain, "dismiss ")
	id, _, _ = strings.Cut(id, "`")
	d.run(incident...).want(t, exitDone, "recorded as entry 0").wantNot(t, "REFUSED") // it holds up nothing
	d.run("ledger", "outbox").want(t, exitDone, "refused", id)
	d.run("ledger", "outbox", "retry", id).want(t, exitRefused, "CONSIGNMENT_UNKNOWN")
	f.Refuse = nil
	d.run("ledger", "outbox", "dismiss", id).want(t, exitDone)
	d.run("ledger", "outbox").want(t, exitDone, "None.").wantNot(t, id)
	if f.Size() != 1 {
		t.Errorf("%d entries", f.Size())
	}
}

// A refusal of the caller says nothing about the event: it stays to be sent.
func TestUnknownKeyKeepsTheEvent(t *testing.T) {
	f := newFake(t)
	server, _ := f.Serve(t, "127.0.0.1:0")
	d := newDesk(t, f, server)
	f.Broken = status.Error(codes.Unauthenticated, "The key is not registered here.")
	d.run(incident...).want(t, exitKept, "The key is not registered here.", "1 kept in the outbox")
	d.run("ledger", "send").want(t, exitKept).wantNot(t, "rpc error")
	f.Broken = nil
	d.run("ledger", "send").want(t, exitDone, "recorded as entry 0")
	d.run("bar", "show", "OT-9").want(t, exitRefused, "REFUSED  there is no bar ottermere/OT-9").wantNot(t, "rpc error")
}

func TestAlarms(t *testing.T) {
	for _, tt := range []struct {
		name, reason string
		lie          func(f *fake)
		args         []string
	}{
		{"rolled back", "entries were taken away", func(f *fake) { f.Leaves = f.Leaves[:1] }, []string{"ledger",
			"checkpoint"}},
		{"forked at one size", "signed two different trees", func(f *fake) { f.Leaves = stationtest.Another(f.Leaves) }, []string{"ledger",
			"checkpoint"}},
		{"forked and grown", "does not show that its tree of 3 entries continues",
			func(f *fake) { f.Leaves = append(stationtest.Another(f.Leaves), f.Leaves[0]) }, []string{"ledger", "checkpoint"}},
		{"signed by another key", "known here", func(f *fake) { f.NewKey(t) }, []string{"ledger", "checkpoint"}},
		{"checkpoint altered", "signature does not verify", func(f *fake) {
			f.Checkpoint = func(note []byte) []byte { return []byte(strings.Replace(string(note), "\n2\n", "\n9\n", 1)) }
		}, []string{"ledger", "checkpoint"}},
		{"a list ends with the look at the log", "entries were taken away", func(f *fake) { f.Leaves = f.Leaves[:1] },
			[]string{"person", "list"}},
		{"receipt for another entry", "is not the event that was signed here", func(f *fake) {
			f.Receipt = func(r *pb.Receipt) { r.Sequence = 0 }
		}, incident},
		{"receipt with another hash", "has another hash than the entry", func(f *fake) {
			f.Receipt = func(r *pb.Receipt) { r.LeafHash[5] ^= 1 }
		}, incident},
		{"entry altered beside its leaf", "shown otherwise than it was signed", func(f *fake) {
			f.Entry = func(e *pb.Entry) { e.Event.GetIncidentReported().Description = "nothing happened" }
		}, []string{"ledger", "entry", "1"}},
		{"entry's signature altered", "does not verify", func(f *fake) {
			f.Entry = func(e *pb.Entry) { e.Leaf = append([]byte(nil), e.Leaf...); e.Leaf[20] ^= 1 }
		}, []string{"ledger", "entry", "1"}},
		{"entry not in the tree", "The proof does not show that this is entry 1", func(f *fake) {
			f.Entry = func(e *pb.Entry) {
				e.Leaf = append([]byte(nil),
					e.Leaf...)
				e.Leaf[10] ^= 1
			} // the time is not signed by the author
		}, []string{"ledger", "verify-inclusion", "1"}},
	} {
		t.Run(tt.name, func(t *testing.T) {
			f := newFake(t)
			server, _ := f.Serve(t, "127.0.0.1:0")
			d := newDesk(t, f, server)
			d.record(&pb.IncidentReported{Description: "one"}, &pb.IncidentReported{Description: "two"})
			tt.lie(f)
			d.run(tt.args...).want(t, exitUntrusted, "DO NOT RELY ON THIS LOG", tt.reason)
		})
	}
}

func TestEvidenceIsKept(t *testing.T) {
	f := newFake(t)
	server, _ := f.Serve(t, "127.0.0.1:0")
	d := newDesk(t, f, server)
	d.run(incident...).want(t, exitDone)
	d.run(incident...).want(t, exitDone)
	f.Leaves = f.Leaves[:1]
	d.run("ledger", "checkpoint").want(t, exitUntrusted, "is kept in "+filepath.Join(d.home, "evidence"))
	alarms, err := os.ReadDir(filepath.Join(d.home, "evidence"))
	if err != nil || len(alarms) != 1 {
		t.Fatalf("%d alarms in evidence (%v)", len(alarms), err)
	}
	for name, begins := range map[string]string{"checkpoint-before": "log.example/test\n2\n", "checkpoint-found": "log.example/test\n1\n"} {
		text, err := os.ReadFile(filepath.Join(d.home, "evidence", alarms[0].Name(), name))
		if err != nil || !strings.HasPrefix(string(text), begins) {
			t.Errorf("%s holds %q (%v)", name, text, err)
		}
	}
	d.run("ledger", "checkpoint").want(t, exitUntrusted) // it is not forgotten
}

func TestLogKey(t *testing.T) {
	f := newFake(t)
	server, _ := f.Serve(t, "127.0.0.1:0")
	public := f.Public
	f.Public = "" // the service does not say it
	d := newDesk(t, f, server)
	d.run("person", "list").want(t, exitRefused, "LOG_KEY_UNKNOWN")
	d.run("person", "list", "--log-key", "nonsense+key").want(t, exitRefused, "LOG_KEY_MALFORMED")
	d.run("person", "list", "--log-key", write(t, "log.pub", public+"\n")).want(t, exitDone, "There are more")
	d.run("person", "list").want(t, exitDone) // kept from then on
	f.NewKey(t)
	d.run("person", "list", "--log-key", f.Public).want(t, exitRefused, "LOG_KEY_DIFFERS")
}

// Every kind of event can be recorded from the command line by its body, and comes out signed as the log demands it.
func TestEveryKindIsRecordable(t *testing.T) {
	f := newFake(t)
	server, _ := f.Serve(t, "127.0.0.1:0")
	d := newDesk(t, f, server)
	fields := (&pb.Event{}).ProtoReflect().Descriptor().Oneofs().ByName("body").Fields()
	var bodies []proto.Message
	for i := range fields.Len() {
		message, err := newBody(string(fields.Get(i).Name()))
		if err != nil {
			t.Fatal(err)
		}
		bodies = append(bodies, message)
	}
	d.record(bodies...)
	for i := range fields.Len() {
		if got, kind := strings.ReplaceAll(station.KindWords(f.Event(i)), " ", "_"), string(fields.Get(i).Name()); got != kind {
			t.Errorf("entry %d is %s, want %s", i, got, kind)
		}
	}
	if fields.Len() < 32 {
		t.Errorf("%d kinds of events", fields.Len())
	}
	d.run("ledger", "record", "melted", "--file", write(t, "m.json", `{"lot": "ottermere/L-1"}`)).want(t, exitDone, fmt.Sprintf("recorded as entry %d: melted", fields.Len()))
	d.run("ledger", "record", "melting", "--file", write(t, "e.json", "{}")).want(t, exitRefused, "KIND_UNKNOWN",
		"pour_recorded")
	d.run("ledger", "record", "melted", "--file", write(t, "x.json", `{"lots": "L-1"}`)).want(t, exitRefused, "JSON_MALFORMED", `unknown field "lots"`)
}

func TestCountersignAndCorrect(t *testing.T) {
	f := newFake(t)
	server, _ := f.Serve(t, "127.0.0.1:0")
	d := newDesk(t, f, server)
	d.run(incident...).want(t, exitDone)
	d.run("ledger", "countersign", "0", "--note", "I was there").want(t, exitDone, "recorded as entry 1: countersigned")
	signed := f.Event(1).GetCountersigned()
	raw, err := proof.ParseLeaf(f.Leaves[0])
	if err != nil {
		t.Fatal(err)
	}
	if signed.GetEventId() != f.Event(0).GetEventId() || string(signed.GetEventSha256()) != string(sha(raw.Event)) {
		t.Errorf("countersigned %v", signed)
	}
	d.run("ledger", "correct", "0", "--reason", "it did not happen", "--withdraw").want(t, exitDone,
		"recorded as entry 2: corrected")
	if e := f.Event(2); e.GetSupersedes() != f.Event(0).GetEventId() || e.GetCorrected().GetReplacement() != nil {
		t.Errorf("withdrawn by %v", e)
	}
	right := write(t, "right.json", `{"subject": "ottermere/OT-1", "stage": "WEIGHING_STAGE_RECHECK", "readings": ["1.0 g", "1.0 g"]}`)
	d.run("ledger", "correct", "0", "--reason", "digits swapped", "--kind", "weighed", "--file", right).want(t, exitDone)
	if got := f.Event(3).GetCorrected().GetWeighed().GetReadings(); len(got) != 2 || got[0] != "1.0 g" {
		t.Errorf("replacement %v", got)
	}
	d.run("ledger", "correct", "0", "--reason", "x").want(t, exitRefused, "CORRECTION_EMPTY")
	d.run("ledger", "correct", "0", "--reason", "x", "--kind", "released", "--file", right).want(t, exitRefused,
		"KIND_UNKNOWN")
	f.Set(pb.ThingKind_THING_KIND_POUR, "ottermere/P-7",
		&pb.Thing{Thing: &pb.Thing_Pour{Pour: &pb.Pour{Name: "ottermere/P-7", Entries: []uint64{0}}}})
	d.run("pour", "countersign", "P-7").want(t, exitDone, "Countersigning entry 0")
	if got := f.Event(4).GetCountersigned().GetEventId(); got != f.Event(0).GetEventId() {
		t.Errorf("the pour's countersignature names %q", got)
	}
}

// The first two fields stand first, as a reader without the bodies needs them.
func TestEnvelopeOfEveryKind(t *testing.T) {
	f := newFake(t)
	server, _ := f.Serve(t, "127.0.0.1:0")
	d := newDesk(t, f, server)
	a := &app{ctx: t.Context(), g: &globals{Key: d.file, PassphraseFile: d.secret, Home: d.home, Party: "ottermere"}, now: fixed}
	fields := (&pb.Event{}).ProtoReflect().Descriptor().Oneofs().ByName("body").Fields()
	for i := range fields.Len() {
		message, err := newBody(string(fields.Get(i).Name()))
		if err != nil {
			t.Fatal(err)
		}
		event, err := a.envelope(message)
		if err != nil {
			t.Fatal(err)
		}
		event.Supersedes = "later fields stay later"
		raw, err := proto.Marshal(event)
		if err != nil {
			t.Fatal(err)
		}
		envelope, err := proof.Open(proof.Sign(d.key.Private(), raw))
		if err != nil || envelope.ID.String() != event.GetEventId() || !envelope.Author.Equal(d.key.Public()) {
			t.Errorf("%s: envelope %v, %v", fields.Get(i).Name(), envelope, err)
		}
	}
}

package station

import (
	"bytes"
	"crypto/rand"
	"errors"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"barward/client/station/stationtest"
	"barward/internal/identity"
	"barward/internal/ledger/proof"
	pb "barward/proto/barward/v1"
)

// two are Ana of ottermere and Quill of quillhaven, invented, at one service.
func two(t *testing.T, f *stationtest.Service, server string) (ana, quill *Station) {
	t.Helper()
	ana = bench(t, f, server)
	key, err := identity.NewKey(rand.Reader)
	if err != nil {
		t.Fatal(err)
	}
	f.Set(pb.ThingKind_THING_KIND_PERSON, "quillhaven/quill", &pb.Thing{Thing: &pb.Thing_Person{Person: &pb.Person{
		Name: "quillhaven/quill", Party: "quillhaven", PublicKey: key.Public()}}})
	return ana, benchOf(t, key, server)
}

// cosign records what a station cosigns, and has the service list it as the newest of its party.
func cosign(t *testing.T, f *stationtest.Service, s *Station, person string) *pb.CheckpointCosigned {
	t.Helper()
	body, err := s.Cosign(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	entry := uint64(f.Size())
	record(t, s, body)
	list(f, person, entry)
	return body
}

func list(f *stationtest.Service, person string, entry uint64) {
	party, _, _ := strings.Cut(person, "/")
	f.Set(pb.ThingKind_THING_KIND_COSIGNATURE, party, &pb.Thing{Thing: &pb.Thing_Cosignature{Cosignature: &pb.Cosignature{
		Name: party, Party: party, CosignedBy: person, Entry: entry}}})
}

func TestCosign(t *testing.T) {
	f := stationtest.New(t)
	server, _ := f.Serve(t, "127.0.0.1:0")
	ana, quill := two(t, f, server)
	_, err := ana.Cosign(t.Context())
	wantReason(t, err, "LOG_EMPTY")
	record(t, ana, incident, incident)
	one := cosign(t, f, ana, "ottermere/ana")
	kept, err := os.ReadFile(ana.Home().Path("cosigned/ottermere"))
	if err != nil || string(kept) != one.GetNote() {
		t.Errorf("kept %q (%v), want %q", kept, err, one.GetNote())
	}
	// The format itself is checked against its standard beside proof.Cosign; here: whose line stands under which tree.
	body, lines, err := proof.SplitNote([]byte(one.GetNote()))
	if err != nil || len(lines) != 2 || !strings.HasPrefix(lines[1], "— ottermere/ana ") ||
		!bytes.HasPrefix(body, []byte("log.example/test\n2\n")) {
		t.Errorf("%q, %q, %v", body, lines, err)
	}
	cosign(t, f, quill, "quillhaven/quill")
	all, err := ana.Cosignatures(t.Context())
	if err != nil || len(all) != 2 || all[0].Party != "quillhaven" || all[0].Checkpoint.Size != 3 ||
		all[1].Checkpoint.Size != 2 {
		t.Fatalf("%+v, %v", all, err)
	}
	if held, err := os.ReadFile(ana.Home().Path("cosigned/quillhaven")); err != nil || !bytes.Equal(held, all[0].Note) {
		t.Errorf("the other party's is kept as %q (%v)", held, err)
	}
}

// Each client by itself sees a log that only grows; by what the other cosigned, one sees that there are two.
func TestAForkIsSeenByCosigning(t *testing.T) {
	f := stationtest.New(t)
	server, _ := f.Serve(t, "127.0.0.1:0")
	ana, quill := two(t, f, server)
	record(t, ana, incident, incident)
	hers := cosign(t, f, ana, "ottermere/ana")
	f.Rewrite(stationtest.Another) // for Quill, who never saw the first
	record(t, quill, incident)
	if err := quill.Advance(t.Context()); err != nil {
		t.Fatalf("alone, Quill has nothing to object to: %v", err)
	}
	var alarm *Untrusted
	if _, err := quill.Cosignatures(t.Context()); !errors.As(err, &alarm) {
		t.Fatalf("%v", err)
	}
	wantReason(t, alarm, "CONSISTENCY_INVALID")
	found, err := os.ReadFile(filepath.Join(alarm.Evidence, "checkpoint-found"))
	if err != nil || string(found) != hers.GetNote() {
		t.Errorf("what Ana cosigned is kept as %q (%v)", found, err)
	}
	before, err := os.ReadFile(filepath.Join(alarm.Evidence, "checkpoint-before"))
	if err != nil || !bytes.Equal(before, f.Note()) {
		t.Errorf("what Quill was shown is kept as %q (%v)", before, err)
	}
}

// A note that the log never signed, or without its author's line, does not count, and holds up nobody else's.
func TestWhatIsNoCosignature(t *testing.T) {
	for _, tt := range []struct {
		name, reason string
		change       func(note string) string
	}{
		{"not signed by this log", "COSIGNED_NOT_OF_THIS_LOG", func(note string) string {
			return strings.Replace(note, "\n2\n", "\n1\n", 1)
		}},
		{"no line of the author", "COSIGNATURE_MISSING", func(note string) string {
			return strings.Replace(note, "— ottermere/ana ", "— ottermere/abe ", 1)
		}},
		{"no note at all", "COSIGNED_NOT_OF_THIS_LOG", func(string) string { return "seen, all well" }},
		{"a line by another key", "COSIGNATURE_INVALID", func(note string) string {
			body, lines, err := proof.SplitNote([]byte(note))
			if err != nil {
				t.Fatal(err)
			}
			other, err := identity.NewKey(rand.Reader)
			if err != nil {
				t.Fatal(err)
			}
			line, err := proof.Cosign(body, "ottermere/ana", other.Private(), fixedTime)
			if err != nil {
				t.Fatal(err)
			}
			return string(body) + "\n" + lines[0] + line.Line()
		}},
	} {
		t.Run(tt.name, func(t *testing.T) {
			f := stationtest.New(t)
			server, _ := f.Serve(t, "127.0.0.1:0")
			ana, quill := two(t, f, server)
			record(t, ana, incident, incident)
			body, err := ana.Cosign(t.Context())
			if err != nil {
				t.Fatal(err)
			}
			record(t, ana, &pb.CheckpointCosigned{Note: tt.change(body.GetNote())})
			list(f, "ottermere/ana", 2)
			cosign(t, f, quill, "quillhaven/quill")
			all, err := ana.Cosignatures(t.Context())
			if err != nil || len(all) != 2 || all[0].Fault != nil || all[0].Party != "quillhaven" || all[1].Fault == nil {
				t.Fatalf("%+v, %v", all, err)
			}
			wantReason(t, all[1].Fault, tt.reason)
		})
	}
}

var fixedTime = time.Date(2026, 3, 2, 12, 0, 0, 0, time.UTC)

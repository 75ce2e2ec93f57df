package station

import (
	"crypto/rand"
	"path/filepath"
	"testing"
	"time"

	"google.golang.org/protobuf/proto"

	"barward/client/station/stationtest"
	"barward/internal/identity"
	"barward/internal/refusal"
	pb "barward/proto/barward/v1"
)

// bench is a station of Ana of ottermere, all invented, at a service.
func bench(t *testing.T, f *stationtest.Service, server string, also ...func(*Config)) *Station {
	t.Helper()
	key, err := identity.NewKey(rand.Reader)
	if err != nil {
		t.Fatal(err)
	}
	f.Set(pb.ThingKind_THING_KIND_PERSON, "ottermere/ana", &pb.Thing{Thing: &pb.Thing_Person{Person: &pb.Person{
		Name: "ottermere/ana", Party: "ottermere", DisplayName: "Ana", PublicKey: key.Public()}}})
	return benchOf(t, key, server, also...)
}

func benchOf(t *testing.T, key identity.Key, server string, also ...func(*Config)) *Station {
	t.Helper()
	c := Config{Home: filepath.Join(t.TempDir(), "home"), Server: server, Timeout: time.Minute}
	for _, change := range also {
		change(&c)
	}
	s, err := Open(c)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = s.Close() })
	s.Use(key)
	return s
}

// record records bodies the whole way.
func record(t *testing.T, s *Station, bodies ...proto.Message) {
	t.Helper()
	put(t, s, bodies...)
	if err := s.Flush(t.Context(), func(a Answer) {
		if a.Err != nil {
			t.Errorf("refused: %v", a.Err)
		}
	}); err != nil {
		t.Fatal(err)
	}
}

func put(t *testing.T, s *Station, bodies ...proto.Message) {
	t.Helper()
	for _, body := range bodies {
		event, err := s.Envelope(t.Context(), s.Key(), body, "", "")
		if err != nil {
			t.Fatal(err)
		}
		if _, err := s.Put(s.Key(), event); err != nil {
			t.Fatal(err)
		}
	}
}

var incident = &pb.IncidentReported{Description: "the truck stood at the gate"}

// until waits for a condition; how long it takes is no matter of these tests.
func until(t *testing.T, what string, holds func() bool) {
	t.Helper()
	for end := time.Now().Add(2 * time.Minute); !holds(); time.Sleep(20 * time.Millisecond) {
		if time.Now().After(end) {
			t.Fatalf("after two minutes it is still not so: %s", what)
		}
	}
}

func wantReason(t *testing.T, err error, reason string) {
	t.Helper()
	if r := AsRefusal(err); r == nil || r.Reason != reason {
		t.Errorf("%v, want %s", err, reason)
	}
}

// Without a key nothing is signed or asked; with one that is taken away again, no longer.
func TestLocked(t *testing.T) {
	f := stationtest.New(t)
	server, _ := f.Serve(t, "127.0.0.1:0")
	s := bench(t, f, server)
	record(t, s, incident)
	s.Use(identity.Key{})
	_, err := s.Get(t.Context(), pb.ThingKind_THING_KIND_PERSON, "ottermere/ana")
	wantReason(t, err, "KEY_LOCKED")
	wantReason(t, s.Flush(t.Context(), nil), "KEY_LOCKED")
	if err := s.Advance(t.Context()); err != nil { // anybody may look at the checkpoint
		t.Error(err)
	}
	asked := 0
	key, err := identity.NewKey(rand.Reader)
	if err != nil {
		t.Fatal(err)
	}
	other := benchOf(t, identity.Key{}, server, func(c *Config) {
		c.Unlock = func() (identity.Key, error) { asked++; return key, nil }
	})
	for range 2 {
		if got, err := other.Unlocked(); err != nil || got.ID() != key.ID() {
			t.Errorf("unlocked %v, %v", got.ID(), err)
		}
	}
	if asked != 1 {
		t.Errorf("the passphrase was asked for %d times", asked)
	}
}

// A file that must be new is never replaced, and nothing is left beside it.
func TestHomeWriteNew(t *testing.T) {
	h := Home{t.TempDir()}
	if err := h.WriteNew("sealed/x.json", []byte("one")); err != nil {
		t.Fatal(err)
	}
	if err := h.WriteNew("sealed/x.json", []byte("two")); !refusal.Is(err, "HOME_NOT_WRITTEN") {
		t.Errorf("%v", err)
	}
	text, found, err := h.Read("sealed/x.json")
	if err != nil || !found || string(text) != "one" {
		t.Errorf("%q, %v, %v", text, found, err)
	}
	if files, _ := filepath.Glob(h.Path("sealed/.*")); len(files) != 0 {
		t.Errorf("left behind: %v", files)
	}
}

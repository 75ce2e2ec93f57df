package main

import (
	"bytes"
	"crypto/rand"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"google.golang.org/protobuf/proto"

	"barward/client/station/stationtest"
	"barward/internal/identity"
	pb "barward/proto/barward/v1"
)

// fake is the service of these tests.
type fake struct {
	*stationtest.Service
	recompute func(*pb.RecomputeAssayRequest) *pb.RecomputeAssayResponse
}

func newFake(t *testing.T) *fake { return &fake{Service: stationtest.New(t)} }

// Serve serves what these tests add, too.
func (f *fake) Serve(t *testing.T, address string) (string, func()) {
	return stationtest.Serve(t, address, f, f)
}

// bench is a person at a workstation: a home, a key, and the service's address.
type bench struct {
	t      *testing.T
	home   string
	server string
	key    identity.Key
	file   string
	secret string
}

// newDesk makes a key file and has the fake know its person.
func newDesk(t *testing.T, f *fake, server string) *bench {
	t.Helper()
	folder := t.TempDir()
	d := &bench{t: t, home: filepath.Join(folder, "home"), server: server, file: filepath.Join(folder, "ana.key"),
		secret: filepath.Join(folder, "passphrase")}
	var err error
	if d.key, err = identity.NewKey(rand.Reader); err != nil {
		t.Fatal(err)
	}
	if err := identity.SaveKey(d.file, d.key, "Ana", "an invented passphrase", 10); err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(d.secret, []byte("an invented passphrase\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	f.Set(pb.ThingKind_THING_KIND_PERSON, "zebra/zoe",
		&pb.Thing{Thing: &pb.Thing_Person{Person: &pb.Person{Name: "zebra/zoe", Party: "zebra"}}})
	f.Set(pb.ThingKind_THING_KIND_PERSON, "ottermere/ana", &pb.Thing{Thing: &pb.Thing_Person{Person: &pb.Person{
		Name: "ottermere/ana", Party: "ottermere", DisplayName: "Ana", PublicKey: d.key.Public()}}})
	f.Set(pb.ThingKind_THING_KIND_PERSON, "aardvark/abe",
		&pb.Thing{Thing: &pb.Thing_Person{Person: &pb.Person{Name: "aardvark/abe", Party: "aardvark"}}})
	return d
}

// record records bodies in one run, without the command line, which takes longer to build than the events to record.
func (d *bench) record(bodies ...proto.Message) {
	d.t.Helper()
	var out bytes.Buffer
	a := newApp(d.t.Context(), &globals{Home: d.home, Key: d.file, PassphraseFile: d.secret, Server: d.server,
		Timeout: 10 * time.Second, Output: "table"}, strings.NewReader(""), &out, &out)
	defer a.close()
	a.key = d.key
	if err := a.lookBack(a.record(bodies...)); err != nil {
		d.t.Fatalf("%v\n%s", err, out.String())
	}
}

// ran is what a run left behind.
type ran struct {
	code          int
	out, complain string
}

// run runs the command as this person.
func (d *bench) run(args ...string) ran { return d.typing("", args...) }

func (d *bench) typing(in string, args ...string) ran {
	d.t.Helper()
	var out, complain bytes.Buffer
	all := append([]string{"--home", d.home, "--key", d.file, "--passphrase-file", d.secret, "--server", d.server,
		"--timeout", "10s"}, args...)
	code := run(d.t.Context(), all, strings.NewReader(in), &out, &complain)
	return ran{code, out.String(), complain.String()}
}

func (r ran) want(t *testing.T, code int, parts ...string) ran {
	t.Helper()
	if r.code != code {
		t.Fatalf("exit %d, want %d\nout: %s\ncomplain: %s", r.code, code, r.out, r.complain)
	}
	for _, part := range parts {
		if !strings.Contains(r.out+r.complain, part) {
			t.Errorf("no %q in\nout: %s\ncomplain: %s", part, r.out, r.complain)
		}
	}
	return r
}

func (r ran) wantNot(t *testing.T, parts ...string) ran {
	t.Helper()
	for _, part := range parts {
		if strings.Contains(r.out+r.complain, part) {
			t.Errorf("unwanted %q in\nout: %s\ncomplain: %s", part, r.out, r.complain)
		}
	}
	return r
}

// write makes a file for an input.
func write(t *testing.T, name, text string) string {
	t.Helper()
	path := filepath.Join(t.TempDir(), name)
	if err := os.WriteFile(path, []byte(text), 0o600); err != nil {
		t.Fatal(err)
	}
	return path
}

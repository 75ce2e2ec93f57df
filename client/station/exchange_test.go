package station

import (
	"crypto/rand"
	"errors"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"barward/client/outbox"
	"barward/client/station/stationtest"
	"barward/internal/assay"
	"barward/internal/identity"
	pb "barward/proto/barward/v1"
)

// exchange is a lot in exchange, invented, with the entries that are its steps: committed, seller, and so on. The
// service says of each the entry that holds it, if the log has one.
func exchange(f *stationtest.Service, steps ...string) {
	lot := &pb.Lot{Name: "quillhaven/L-1", Party: "quillhaven", Seller: "ottermere"}
	for i := 0; i+1 < len(steps); i += 2 {
		step := &pb.ExchangeStep{Action: steps[i], Side: steps[i+1], Round: 1}
		for n := range f.Size() {
			commitment := string(f.Event(n).GetResultCommitted().GetCommitment())
			if commitment == steps[i+1] || steps[i+1] == "seller" && len(commitment) == 32 {
				step.Entry = uint64(n)
			}
		}
		lot.Steps = append(lot.Steps, step)
	}
	f.Set(pb.ThingKind_THING_KIND_LOT, "quillhaven/L-1", &pb.Thing{Thing: &pb.Thing_Lot{Lot: lot}})
}

// theirs puts the other side's commitment into the log; its bytes are its side, by which exchange finds it.
func theirs(t *testing.T, f *stationtest.Service, server string, also ...func(*pb.ResultCommitted)) {
	t.Helper()
	_, quill := two(t, stationtest.New(t), server)
	body := &pb.ResultCommitted{Lot: "quillhaven/L-1", Round: 1, Commitment: []byte("refiner")}
	for _, change := range also {
		change(body)
	}
	event, err := quill.Envelope(t.Context(), quill.Key(), body, "", "quillhaven/works")
	if err != nil {
		t.Fatal(err)
	}
	if _, err := quill.Put(quill.Key(), event); err != nil {
		t.Fatal(err)
	}
	if err := quill.Flush(t.Context(), nil); err != nil {
		t.Fatal(err)
	}
}

var goldAndSilver = []*pb.AssayResult{{Element: "Au", Fineness: "812.30 ppt"}, {Element: "Ag", Fineness: "148.05 ppt"}}

// seal seals our result and records the commitment to it.
func seal(t *testing.T, s *Station) *pb.ResultCommitted {
	t.Helper()
	body, err := s.Seal(t.Context(), "quillhaven/L-1", "", 1, goldAndSilver)
	if err != nil {
		t.Fatal(err)
	}
	record(t, s, body)
	return body
}

// When the commitment reaches the service, the result that opens it is on this machine's disk, for its owner alone.
func TestSealedBeforeItIsSent(t *testing.T) {
	f := stationtest.New(t)
	exchange(f)
	server, _ := f.Serve(t, "127.0.0.1:0")
	s := bench(t, f, server)
	path := s.SealedPath("quillhaven/L-1", 1)
	sawSealed := false
	f.Refuse = func(e *pb.Event) *pb.Refusal {
		if e.GetResultCommitted() != nil {
			info, err := os.Stat(path)
			sawSealed = err == nil && info.Mode().Perm() == 0o600
		}
		return nil
	}
	committed := seal(t, s)
	if !sawSealed {
		t.Error("the commitment came before its result was kept with mode 0600")
	}
	if info, err := os.Stat(filepath.Dir(path)); err != nil || info.Mode().Perm() != 0o700 {
		t.Errorf("its folder has mode %v (%v)", info.Mode(), err)
	}
	theirs(t, f, server)
	exchange(f, "committed", "seller", "committed", "refiner")
	revealed, err := s.Reveal(t.Context(), "quillhaven/L-1", 1)
	if err != nil {
		t.Fatal(err)
	}
	pure, err := PureResults(revealed.GetResults())
	if err != nil {
		t.Fatal(err)
	}
	if err := assay.VerifyReveal([32]byte(committed.GetCommitment()), "quillhaven/L-1", assay.Seller, 1, pure,
		[32]byte(revealed.GetNonce())); err != nil {
		t.Error(err)
	}
	_, err = s.Seal(t.Context(), "quillhaven/L-1", "", 1, goldAndSilver)
	wantReason(t, err, "RESULT_SEALED_ALREADY")
	_, err = s.Reveal(t.Context(), "quillhaven/L-2", 1)
	wantReason(t, err, "RESULT_NOT_SEALED")
	if err := os.Chmod(filepath.Dir(path), 0o500); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = os.Chmod(filepath.Dir(path), 0o700) })
	if os.Getuid() != 0 { // root may write everywhere
		body, err := s.Seal(t.Context(), "quillhaven/L-1", assay.Seller, 2, goldAndSilver)
		if wantReason(t, err, "HOME_NOT_WRITTEN"); body != nil {
			t.Error("there is a commitment to a result that is not kept")
		}
	}
}

// The reveal goes out as soon as both sides are on record, never before, and once.
func TestDueReveals(t *testing.T) {
	f := stationtest.New(t)
	exchange(f)
	server, _ := f.Serve(t, "127.0.0.1:0")
	s := bench(t, f, server)
	due := func(why string, want int) {
		t.Helper()
		got, err := s.DueReveals(t.Context())
		if err != nil || len(got) != want {
			t.Errorf("%s: %d are due (%v), want %d", why, len(got), err, want)
		}
	}
	due("nothing is sealed", 0)
	seal(t, s)
	due("nobody is on record", 0)
	exchange(f, "committed", "seller")
	due("only we are on record", 0)
	_, err := s.Reveal(t.Context(), "quillhaven/L-1", 1)
	wantReason(t, err, "REVEAL_BEFORE_COMMITS")
	theirs(t, f, server)
	exchange(f, "committed", "refiner")
	due("only the other side is on record", 0)
	exchange(f, "committed", "seller", "committed", "refiner")
	due("both are on record", 1)

	key := s.Key()
	stranger, err := identity.NewKey(rand.Reader)
	if err != nil {
		t.Fatal(err)
	}
	s.Use(stranger)
	due("somebody else sits here", 0)
	renewed, err := identity.NewKey(rand.Reader)
	if err != nil {
		t.Fatal(err)
	}
	f.Set(pb.ThingKind_THING_KIND_PERSON, "ottermere/ana", &pb.Thing{Thing: &pb.Thing_Person{Person: &pb.Person{
		Name: "ottermere/ana", Party: "ottermere", PublicKey: renewed.Public()}}})
	s.Use(renewed)
	due("the same person has another key now", 1)
	s.Use(key)

	// The service refuses it once: a person must see why, and nothing is sent again by itself.
	f.Refuse = func(e *pb.Event) *pb.Refusal {
		if e.GetResultRevealed() != nil {
			return &pb.Refusal{Code: 9, Reason: "EXCHANGE_CLOSED", Message: "The exchange is closed."}
		}
		return nil
	}
	var answers []Answer
	for range 2 {
		if err := s.RevealDue(t.Context(), "", "", func(a Answer) { answers = append(answers, a) }); err != nil {
			t.Fatal(err)
		}
	}
	if len(answers) != 1 || answers[0].Err == nil {
		t.Fatalf("answers %v, want one refusal", answers)
	}
	f.Refuse = nil
	if err := s.Outbox().Retry(answers[0].Item.ID); err != nil {
		t.Fatal(err)
	}
	due("it waits in the outbox", 0)
	size := f.Size()
	if err := s.Flush(t.Context(), nil); err != nil || f.Size() != size+1 {
		t.Fatalf("%v, %d entries more", err, f.Size()-size)
	}
	if got := f.Event(size).GetResultRevealed(); got.GetLot() != "quillhaven/L-1" || len(got.GetNonce()) != 32 || len(got.GetResults()) != 2 {
		t.Errorf("revealed %v", got)
	}
	exchange(f, "committed", "seller", "committed", "refiner", "revealed", "seller")
	due("it is on record", 0)
	if left, err := s.Sealed(); err != nil || len(left) != 0 {
		t.Errorf("looked through still: %v (%v)", left, err)
	}
	_, err = s.Reveal(t.Context(), "quillhaven/L-1", 1)
	wantReason(t, err, "REVEALED_ALREADY")
}

// Without a link, or where the record holds a commitment already, what opens it is not replaced.
func TestSealAgain(t *testing.T) {
	f := stationtest.New(t)
	exchange(f)
	server, stop := f.Serve(t, "127.0.0.1:0")
	s := bench(t, f, server)
	first := seal(t, s)
	again := func() (*pb.ResultCommitted, error) {
		return s.SealAgain(t.Context(), "quillhaven/L-1", assay.Seller, 1, goldAndSilver)
	}
	exchange(f, "committed", "seller")
	_, err := again()
	wantReason(t, err, "ALREADY_COMMITTED")
	exchange(f)
	second, err := again()
	if err != nil || string(second.GetCommitment()) == string(first.GetCommitment()) {
		t.Errorf("sealed again: %v", err)
	}
	if old, _ := filepath.Glob(s.SealedPath("quillhaven/L-1", 1) + ".*"); len(old) != 1 {
		t.Errorf("the old file is kept as %v", old)
	}
	stop()
	if _, err := again(); !Unreachable(err) {
		t.Errorf("without a link: %v", err)
	}
	var alarm *Untrusted
	if _, err := s.DueReveals(t.Context()); !Unreachable(err) || errors.As(err, &alarm) {
		t.Errorf("without a link: %v", err)
	}
	if waiting, err := s.Outbox().Waiting(outbox.MaxPage); err != nil || len(waiting) != 0 {
		t.Errorf("%d wait (%v)", len(waiting), err)
	}
}

// A service that says of some entry that it is the other side's commitment does not get our result to see.
func TestTheServiceCannotHaveAResultOpened(t *testing.T) {
	for name, change := range map[string]func(*pb.ResultCommitted){
		"a commitment to another lot":   func(c *pb.ResultCommitted) { c.Lot = "quillhaven/L-2" },
		"a commitment in another round": func(c *pb.ResultCommitted) { c.Round = 2 },
	} {
		t.Run(name, func(t *testing.T) {
			f := stationtest.New(t)
			exchange(f)
			server, _ := f.Serve(t, "127.0.0.1:0")
			s := bench(t, f, server)
			seal(t, s)
			theirs(t, f, server, change)
			exchange(f, "committed", "seller", "committed", "refiner")
			var alarm *Untrusted
			if due, err := s.DueReveals(t.Context()); !errors.As(err, &alarm) || len(due) != 0 {
				t.Errorf("%d reveals are due (%v)", len(due), err)
			}
		})
	}
	t.Run("our own", func(t *testing.T) {
		f := stationtest.New(t)
		exchange(f)
		server, _ := f.Serve(t, "127.0.0.1:0")
		s := bench(t, f, server)
		committed := seal(t, s)
		record(t, s, committed)
		f.Set(pb.ThingKind_THING_KIND_LOT, "quillhaven/L-1", &pb.Thing{Thing: &pb.Thing_Lot{Lot: &pb.Lot{Name: "quillhaven/L-1",
			Party: "quillhaven", Seller: "ottermere", Steps: []*pb.ExchangeStep{
				{Action: "committed", Side: "seller", Round: 1}, {Action: "committed", Side: "refiner", Round: 1, Entry: 1}}}}})
		var alarm *Untrusted
		if due, err := s.DueReveals(t.Context()); !errors.As(err, &alarm) || len(due) != 0 {
			t.Errorf("%d reveals are due (%v)", len(due), err)
		}
	})
}

// A sealed file that was altered, in a figure or the nonce, is not opened: it would stand as evidence against us.
func TestAnAlteredSealedFileIsNotOpened(t *testing.T) {
	f := stationtest.New(t)
	exchange(f)
	server, _ := f.Serve(t, "127.0.0.1:0")
	s := bench(t, f, server)
	seal(t, s)
	theirs(t, f, server)
	exchange(f, "committed", "seller", "committed", "refiner")
	path := s.SealedPath("quillhaven/L-1", 1)
	honest, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	nonce := strings.Index(string(honest), `"nonce": "`) + len(`"nonce": "`)
	for name, altered := range map[string]string{
		"a figure":    strings.Replace(string(honest), "812.30", "812.90", 1),
		"a last zero": strings.Replace(string(honest), "812.30", "812.3", 1),
		"the nonce":   string(honest[:nonce]) + "0000" + string(honest[nonce+4:]),
		"no nonce":    string(honest[:nonce]) + string(honest[nonce+64:]),
		"the side":    strings.Replace(string(honest), `"seller"`, `"refiner"`, 1),
	} {
		if altered == string(honest) {
			t.Fatalf("%s: nothing was altered", name)
		}
		if err := os.WriteFile(path, []byte(altered), 0o600); err != nil {
			t.Fatal(err)
		}
		if due, err := s.DueReveals(t.Context()); err == nil || len(due) != 0 {
			t.Errorf("%s: %d reveals are due (%v)", name, len(due), err)
		}
	}
	if err := os.WriteFile(path, honest, 0o600); err != nil {
		t.Fatal(err)
	}
	if due, err := s.DueReveals(t.Context()); err != nil || len(due) != 1 {
		t.Errorf("the honest file: %d reveals are due (%v)", len(due), err)
	}
}

package outbox

import (
	"bytes"
	"context"
	"crypto/ed25519"
	"errors"
	"fmt"
	"math/rand/v2"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/google/uuid"

	"barward/internal/ledger/proof"
	"barward/internal/refusal"
)

var author = ed25519.NewKeyFromSeed(bytes.Repeat([]byte{7}, ed25519.SeedSize))

// signed makes a signed event: field 1 the id, field 2 the author, field 3 a text that the fake log understands.
func signed(id uuid.UUID, text string) proof.Signed {
	event := append([]byte{0x0a, 36}, id.String()...)
	event = append(append(event, 0x12, 32), author.Public().(ed25519.PublicKey)...)
	event = append(append(event, 0x1a, byte(len(text))), text...)
	return proof.Sign(author, event)
}

// numbered makes ids that sort by n.
func numbered(n int) uuid.UUID {
	return uuid.MustParse(fmt.Sprintf("01910f2e-0000-7000-8000-%012x", n))
}

// tempDir returns an empty folder, in memory where the machine has such a place: these tests sync thousands of files, and
// what a sync is for, a power cut, is nothing that a test in the same machine can make.
func tempDir(t testing.TB) string {
	t.Helper()
	folder, err := os.MkdirTemp("/dev/shm", "outbox-test-*")
	if err != nil {
		return t.TempDir()
	}
	t.Cleanup(func() { _ = os.RemoveAll(folder) })
	return folder
}

func open(t testing.TB, folder string) *Outbox {
	t.Helper()
	o, err := Open(folder)
	if err != nil {
		t.Fatal(err)
	}
	return o
}

func put(t testing.TB, o *Outbox, n int, text string) Item {
	t.Helper()
	item, err := o.Put(signed(numbered(n), text))
	if err != nil {
		t.Fatal(err)
	}
	return item
}

func wantReason(t testing.TB, err error, reason string) {
	t.Helper()
	if !refusal.Is(err, reason) {
		t.Errorf("got %v, want a refusal %s", err, reason)
	}
}

// wantIDs checks which events are in a state, in order, by number.
func wantIDs(t testing.TB, o *Outbox, state State, want ...int) {
	t.Helper()
	items, err := o.List(state, Page{Size: MaxPage})
	if err != nil {
		t.Fatal(err)
	}
	var got, wanted []string
	for _, item := range items {
		got = append(got, item.ID.String())
		if item.State != state {
			t.Errorf("%s says it is %s, found among %s", item.ID, item.State, state)
		}
	}
	for _, n := range want {
		wanted = append(wanted, numbered(n).String())
	}
	if !slices.Equal(got, wanted) {
		t.Errorf("%s: %v, want %v", state, got, wanted)
	}
}

// fakeLog is a log that records each id once. It keeps what it has as files, so that it outlives a killed child. An event
// whose text begins with "refuse" is refused.
type fakeLog struct {
	folder string
	sent   []uuid.UUID // in the order in which they came, with repeats
}

func (l *fakeLog) send(_ context.Context, item Item) ([]byte, error) {
	l.sent = append(l.sent, item.ID)
	if _, err := proof.Open(item.Signed); err != nil {
		return nil, err
	}
	if bytes.Contains(item.Signed.Event, []byte("refuse")) {
		return nil, refusal.New(refusal.Forbidden, "ROLE_DOES_NOT_ALLOW", "", "Not allowed.")
	}
	path := filepath.Join(l.folder, item.ID.String())
	if there, err := os.ReadFile(path); err == nil {
		if !bytes.Equal(there, item.Signed.Event) {
			return nil, refusal.New(refusal.Exists, "EVENT_ID_TAKEN", "", "Another event has this id.")
		}
		return []byte("receipt of " + item.ID.String()), nil
	}
	if err := os.WriteFile(path+".tmp", item.Signed.Event, 0o600); err != nil {
		return nil, err
	}
	return []byte("receipt of " + item.ID.String()), os.Rename(path+".tmp", path)
}

func flush(t testing.TB, o *Outbox, send Send) Report {
	t.Helper()
	report, err := o.Flush(t.Context(), send)
	if err != nil {
		t.Fatal(err)
	}
	return report
}

func TestPutAndFlush(t *testing.T) {
	folder := filepath.Join(tempDir(t), "a", "outbox")
	o := open(t, folder)
	for _, n := range []int{4, 2, 9, 1} { // put out of order, sent in order
		item := put(t, o, n, "pour")
		if item.State != Waiting || item.ID != numbered(n) {
			t.Errorf("put %d gave %v %s", n, item.ID, item.State)
		}
	}
	put(t, o, 3, "refuse")
	o = open(t, folder)
	wantIDs(t, o, Waiting, 1, 2, 3, 4, 9)
	first, err := o.Waiting(2)
	if err != nil || len(first) != 2 || first[1].ID != numbered(2) || !bytes.Equal(first[1].Signed.Event, signed(numbered(2), "pour").Event) {
		t.Errorf("the first two waiting: %v, %v", first, err)
	}
	log := &fakeLog{folder: tempDir(t)}
	report := flush(t, o, log.send)
	if report.Recorded != 4 || report.Refused != 1 || report.Stopped != nil || report.Damaged != nil {
		t.Errorf("report %+v", report)
	}
	if want := []uuid.UUID{numbered(1), numbered(2), numbered(3), numbered(4), numbered(9)}; !slices.Equal(log.sent, want) {
		t.Errorf("sent %v", log.sent)
	}
	o = open(t, folder)
	wantIDs(t, o, Waiting)
	wantIDs(t, o, Recorded, 1, 2, 4, 9)
	wantIDs(t, o, Refused, 3)
	refused, _ := o.List(Refused, Page{Size: 1})
	if refused[0].Reason != "ROLE_DOES_NOT_ALLOW" || refused[0].Text != "Not allowed." || refused[0].Receipt != nil {
		t.Errorf("refused item %+v", refused[0])
	}
	page, err := o.List(Recorded, Page{After: numbered(1), Size: 2})
	if err != nil || len(page) != 2 || page[0].ID != numbered(2) || string(page[1].Receipt) != "receipt of "+numbered(4).String() {
		t.Errorf("page %+v, %v", page, err)
	}
	if report := flush(t, o, log.send); report.Recorded != 0 || report.Refused != 0 || report.Stopped != nil {
		t.Errorf("flushing nothing: %+v", report)
	}
	if len(log.sent) != 5 {
		t.Errorf("%d were sent, want 5", len(log.sent))
	}
}

func TestPutIsIdempotent(t *testing.T) {
	o := open(t, tempDir(t))
	for range 3 {
		put(t, o, 1, "pour")
	}
	wantIDs(t, o, Waiting, 1)
	_, err := o.Put(signed(numbered(1), "another pour"))
	wantReason(t, err, "EVENT_ID_TAKEN")
	log := &fakeLog{folder: tempDir(t)}
	put(t, o, 2, "refuse")
	flush(t, o, log.send)
	if item := put(t, o, 1, "pour"); item.State != Recorded || item.Receipt == nil {
		t.Errorf("a recorded event put again is %+v", item)
	}
	if item := put(t, o, 2, "refuse"); item.State != Refused || item.Reason == "" {
		t.Errorf("a refused event put again is %+v", item)
	}
	_, err = o.Put(signed(numbered(1), "another pour"))
	wantReason(t, err, "EVENT_ID_TAKEN")
	wantIDs(t, o, Waiting)
}

func TestPutRefuses(t *testing.T) {
	o := open(t, tempDir(t))
	good := signed(numbered(1), "pour")
	flipped := proof.Signed{Event: bytes.Clone(good.Event), Signature: good.Signature}
	flipped.Event[len(flipped.Event)-1] ^= 1
	_, err := o.Put(flipped)
	wantReason(t, err, "SIGNATURE_INVALID")
	_, err = o.Put(proof.Signed{Event: good.Event})
	wantReason(t, err, "SIGNATURE_INVALID")
	_, err = o.Put(proof.Signed{})
	wantReason(t, err, "EVENT_MALFORMED")
	_, err = o.Put(signed(uuid.MustParse("6f1c0e5a-8a51-4b0e-9d55-0f2f6c0e7a11"), "version 4"))
	wantReason(t, err, "EVENT_ID_MALFORMED")
	wantIDs(t, o, Waiting)
	// Full: the count is believed only after the folder was counted again.
	o.waiting = MaxWaiting
	put(t, o, 1, "pour")
	if o.waiting != 1 {
		t.Errorf("%d counted as waiting", o.waiting)
	}
}

func TestOutboxIsFull(t *testing.T) {
	o := open(t, tempDir(t))
	o.most = 3
	for n := range 3 {
		put(t, o, n, "pour")
	}
	_, err := o.Put(signed(numbered(3), "pour"))
	wantReason(t, err, "OUTBOX_FULL")
	put(t, o, 2, "pour") // one that is there already may be put again
	if err := o.Recorded(numbered(0), nil); err != nil {
		t.Fatal(err)
	}
	put(t, o, 3, "pour")
	wantIDs(t, o, Waiting, 1, 2, 3)
}

// What each kind of answer does with the event that was sent, and with the one behind it.
func TestVerdicts(t *testing.T) {
	for kind, filed := range map[refusal.Kind]bool{
		refusal.Invalid: true, refusal.Precondition: true, refusal.Aborted: true, refusal.Exists: true, refusal.NotFound: true,
		refusal.OutOfRange: true, refusal.Forbidden: true,
		refusal.Unauthenticated: false, refusal.Exhausted: false, refusal.Unavailable: false, refusal.Internal: false,
		refusal.DataLoss: false,
	} {
		o := open(t, tempDir(t))
		put(t, o, 1, "pour")
		put(t, o, 2, "pour")
		answer := fmt.Errorf("wrapped: %w", refusal.New(kind, "SOME_REASON", "bars[2]", "Some text."))
		if IsVerdict(answer) != filed {
			t.Errorf("kind %d: IsVerdict is wrong", kind)
		}
		calls := 0
		report := flush(t, o, func(_ context.Context, item Item) ([]byte, error) {
			if calls++; item.ID == numbered(1) {
				return nil, answer
			}
			return nil, nil
		})
		if filed {
			wantIDs(t, o, Refused, 1)
			wantIDs(t, o, Recorded, 2)
			items, _ := o.List(Refused, Page{Size: 1})
			if report.Stopped != nil || len(items) != 1 || items[0].Reason != "SOME_REASON" || items[0].Text != "bars[2]: Some text." {
				t.Errorf("kind %d: report %+v, items %+v", kind, report, items)
			}
		} else {
			wantIDs(t, o, Waiting, 1, 2)
			if calls != 1 || !errors.Is(report.Stopped, answer) || report.At != numbered(1) {
				t.Errorf("kind %d: %d calls, report %+v", kind, calls, report)
			}
		}
	}
}

func TestLinkFailsMidway(t *testing.T) {
	o := open(t, tempDir(t))
	for n := range 6 {
		put(t, o, n, "pour")
	}
	log := &fakeLog{folder: tempDir(t)}
	down := errors.New("connection reset")
	report := flush(t, o, func(ctx context.Context, item Item) ([]byte, error) {
		receipt, err := log.send(ctx, item)
		if item.ID == numbered(3) {
			return nil, down // recorded, but the answer is lost
		}
		return receipt, err
	})
	if report.Recorded != 3 || !errors.Is(report.Stopped, down) || report.At != numbered(3) {
		t.Errorf("report %+v", report)
	}
	wantIDs(t, o, Waiting, 3, 4, 5)
	ctx, cancel := context.WithCancel(t.Context())
	report, err := o.Flush(ctx, func(c context.Context, item Item) ([]byte, error) {
		cancel() // what was answered is still filed
		return log.send(c, item)
	})
	if err != nil || report.Recorded != 1 || !errors.Is(report.Stopped, context.Canceled) {
		t.Errorf("cancelled: %+v, %v", report, err)
	}
	flush(t, o, log.send)
	wantIDs(t, o, Recorded, 0, 1, 2, 3, 4, 5)
}

func TestDismissAndRetry(t *testing.T) {
	folder := tempDir(t)
	o := open(t, folder)
	put(t, o, 1, "refuse")
	put(t, o, 2, "refuse")
	put(t, o, 3, "pour")
	wantReason(t, o.Dismiss(numbered(1)), "EVENT_STILL_WAITING")
	wantReason(t, o.Retry(numbered(1)), "EVENT_NOT_REFUSED")
	wantReason(t, o.Dismiss(numbered(8)), "EVENT_NOT_IN_OUTBOX")
	log := &fakeLog{folder: tempDir(t)}
	flush(t, o, log.send)
	wantIDs(t, o, Refused, 1, 2)
	wantReason(t, o.Refused(numbered(3), "X", "y"), "EVENT_ALREADY_RECORDED")
	wantReason(t, o.Retry(numbered(3)), "EVENT_NOT_REFUSED")
	if err := o.Dismiss(numbered(1)); err != nil {
		t.Fatal(err)
	}
	if err := o.Retry(numbered(2)); err != nil {
		t.Fatal(err)
	}
	o = open(t, folder)
	wantIDs(t, o, Refused)
	wantIDs(t, o, Waiting, 2)
	flush(t, o, func(context.Context, Item) ([]byte, error) { return []byte("at last"), nil })
	wantIDs(t, o, Recorded, 2, 3)
	items, _ := o.List(Recorded, Page{Size: 1})
	if string(items[0].Receipt) != "at last" || items[0].Reason != "" {
		t.Errorf("%+v", items[0])
	}
	// The first receipt stays; the verdict of the log overrides an earlier refusal.
	if err := o.Recorded(numbered(2), []byte("again")); err != nil {
		t.Fatal(err)
	}
	items, _ = o.List(Recorded, Page{Size: 1})
	if string(items[0].Receipt) != "at last" {
		t.Errorf("receipt %q", items[0].Receipt)
	}
	if err := o.Dismiss(numbered(3)); err != nil {
		t.Fatal(err)
	}
	put(t, o, 4, "pour")
	if err := o.Refused(numbered(4), strings.Repeat("é", 100), strings.Repeat("\xff", maxText)); err != nil {
		t.Fatal(err)
	}
	if err := o.Recorded(numbered(4), nil); err != nil {
		t.Fatal(err)
	}
	wantIDs(t, o, Refused)
	wantIDs(t, o, Recorded, 2, 4)
	put(t, o, 5, "pour")
	wantReason(t, o.Recorded(numbered(5), make([]byte, MaxReceipt+1)), "RECEIPT_TOO_LARGE")
	wantReason(t, o.Recorded(numbered(77), nil), "EVENT_NOT_IN_OUTBOX")
	wantReason(t, o.Refused(numbered(77), "X", "y"), "EVENT_NOT_IN_OUTBOX")
	_, err := o.List("elsewhere", Page{Size: 1})
	wantReason(t, err, "STATE_UNKNOWN")
	for _, size := range []int{0, -1, MaxPage + 1} {
		_, err := o.List(Waiting, Page{Size: size})
		wantReason(t, err, "PAGE_SIZE")
	}
}

func TestCut(t *testing.T) { // by hand
	for in, want := range map[string]string{"abcdefgh": "abcdefgh", "abcdefghi": "abcde…", "abcdéfghi": "abcd…",
		"a\xff": "a\uFFFD"} {
		if got := cut(in, 8); got != want {
			t.Errorf("cut(%q) = %q, want %q", in, got, want)
		}
	}
}

func TestFilesArePrivate(t *testing.T) {
	folder := tempDir(t)
	o := open(t, folder)
	put(t, o, 1, "pour")
	for path, mode := range map[string]os.FileMode{"waiting": 0o700, "damaged": 0o700, "drafts": 0o700,
		"waiting/" + numbered(1).String() + ".event": 0o600} {
		info, err := os.Stat(filepath.Join(folder, path))
		if err != nil || info.Mode().Perm() != mode {
			t.Errorf("%s: %v, %v, want %o", path, info.Mode(), err, mode)
		}
	}
}

// Two objects on one folder, many goroutines putting while others flush: everything is recorded, nothing is left.
func TestPutsAndFlushesAtOnce(t *testing.T) {
	folder := tempDir(t)
	boxes := []*Outbox{open(t, folder), open(t, folder)}
	log := &fakeLog{folder: tempDir(t)}
	var logMu sync.Mutex
	send := func(ctx context.Context, item Item) ([]byte, error) {
		logMu.Lock()
		defer logMu.Unlock()
		return log.send(ctx, item)
	}
	const putters, each = 4, 12
	var wg sync.WaitGroup
	for p := range putters {
		wg.Go(func() {
			for i := range each {
				n := (p/2)*each + i // each event is put by two goroutines, on different objects
				if _, err := boxes[p%2].Put(signed(numbered(n), "pour")); err != nil {
					t.Error(err)
				}
			}
		})
	}
	for f := range 2 {
		wg.Go(func() {
			for range 10 {
				if _, err := boxes[f].Flush(t.Context(), send); err != nil && !refusal.Is(err, "OUTBOX_BUSY") {
					t.Error(err)
				}
			}
		})
	}
	wg.Wait()
	flush(t, boxes[0], send)
	var want []int
	for n := range putters / 2 * each {
		want = append(want, n)
	}
	wantIDs(t, boxes[1], Recorded, want...)
	wantIDs(t, boxes[1], Waiting)
	if damaged, err := boxes[0].Damaged(); err != nil || damaged != nil {
		t.Errorf("damaged %v, %v", damaged, err)
	}
}

func TestOneFlushAtATime(t *testing.T) {
	folder := tempDir(t)
	o, other := open(t, folder), open(t, folder)
	put(t, o, 1, "pour")
	flush(t, o, func(context.Context, Item) ([]byte, error) {
		_, err := other.Flush(t.Context(), nil)
		wantReason(t, err, "OUTBOX_BUSY")
		put(t, open(t, folder), 2, "pour") // opening and putting go on meanwhile
		return nil, nil
	})
	wantIDs(t, other, Recorded, 1, 2)
	unlock, err := o.Lock()
	if err != nil {
		t.Fatal(err)
	}
	_, err = other.Lock()
	wantReason(t, err, "OUTBOX_BUSY")
	_, err = other.Flush(t.Context(), nil)
	wantReason(t, err, "OUTBOX_BUSY")
	unlock()
	// A flush whose sender panics gives the lock back.
	put(t, o, 3, "pour")
	func() {
		defer func() { _ = recover() }()
		_, _ = o.Flush(t.Context(), func(context.Context, Item) ([]byte, error) { panic("sender") })
	}()
	flush(t, other, func(context.Context, Item) ([]byte, error) { return nil, nil })
	wantIDs(t, o, Recorded, 1, 2, 3)
}

// An event that is recorded and appears among the waiting during a flush, because another process put it at that moment,
// is sent once more and then rests.
func TestRecordedEventWaitsAgain(t *testing.T) {
	o := open(t, tempDir(t))
	put(t, o, 1, "pour")
	put(t, o, 2, "pour")
	log := &fakeLog{folder: tempDir(t)}
	report := flush(t, o, func(ctx context.Context, item Item) ([]byte, error) {
		if item.ID == numbered(2) && len(log.sent) == 1 {
			file := encode(Item{Signed: signed(numbered(1), "pour")})
			if err := os.WriteFile(o.path(Waiting, numbered(1)), file, 0o600); err != nil {
				t.Fatal(err)
			}
		}
		if len(log.sent) > 5 {
			return nil, errors.New("it is sent for ever")
		}
		return log.send(ctx, item)
	})
	if report.Stopped != nil || len(log.sent) != 3 {
		t.Errorf("%d sent, report %+v", len(log.sent), report)
	}
	wantIDs(t, o, Waiting)
	wantIDs(t, o, Recorded, 1, 2)
}

// Every single flipped bit of a file is found, and every cut.
func TestFlippedBits(t *testing.T) {
	item := Item{ID: numbered(1), Signed: signed(numbered(1), "pour"), Receipt: []byte("r"), Reason: "X", Text: "<é>"}
	good := encode(item)
	if back, err := decode(good); err != nil || back.ID != item.ID || string(back.Receipt) != "r" || back.Text != "<é>" {
		t.Fatalf("%+v, %v", back, err)
	}
	for i := range good {
		for bit := range 8 {
			bad := bytes.Clone(good)
			bad[i] ^= 1 << bit
			if _, err := decode(bad); !refusal.Is(err, "OUTBOX_FILE_DAMAGED") {
				t.Fatalf("bit %d of byte %d: %v", bit, i, err)
			}
		}
		if _, err := decode(good[:i]); !refusal.Is(err, "OUTBOX_FILE_DAMAGED") {
			t.Fatalf("cut to %d bytes: %v", i, err)
		}
	}
	if _, err := decode(make([]byte, maxFile+1)); !refusal.Is(err, "OUTBOX_FILE_DAMAGED") {
		t.Errorf("too long: %v", err)
	}
	// The largest item there can be is small enough to be read back.
	big := signed(numbered(1), "pour")
	filler := append([]byte{0x22, 0, 0, 0}, make([]byte, proof.MaxEvent-len(big.Event)-4)...)
	n := len(filler) - 4
	filler[1], filler[2], filler[3] = byte(n)|0x80, byte(n>>7)|0x80, byte(n>>14)
	big = proof.Sign(author, append(bytes.Clone(big.Event), filler...))
	file := encode(Item{Signed: big, Receipt: make([]byte, MaxReceipt), Reason: strings.Repeat("<", maxReason),
		Text: strings.Repeat("<", maxText)})
	if _, err := decode(file); err != nil || len(big.Event) != proof.MaxEvent {
		t.Errorf("the largest item, %d bytes of event: %v", len(big.Event), err)
	}
}

// Damaged files of every sort are moved aside, none is deleted, and the others go on.
func TestDamagedFilesAreMovedAside(t *testing.T) {
	folder := tempDir(t)
	o := open(t, folder)
	for n := 1; n <= 5; n++ {
		put(t, o, n, "pour")
	}
	waiting := func(n int) string { return filepath.Join(folder, "waiting", numbered(n).String()+".event") }
	content, err := os.ReadFile(waiting(2))
	if err != nil {
		t.Fatal(err)
	}
	foreign := encode(Item{ID: numbered(50), Signed: signed(numbered(50), "pour")})
	for path, content := range map[string][]byte{
		waiting(1): {}, waiting(2): content[:len(content)/2], waiting(3): foreign,
		filepath.Join(folder, "waiting", "note.txt"): []byte("hello"),
	} {
		if err := os.WriteFile(path, content, 0o600); err != nil {
			t.Fatal(err)
		}
	}
	if err := os.Mkdir(filepath.Join(folder, "waiting", "folder.event"), 0o700); err != nil {
		t.Fatal(err)
	}
	log := &fakeLog{folder: tempDir(t)}
	report := flush(t, o, log.send)
	if report.Recorded != 2 || len(report.Damaged) != 5 {
		t.Errorf("report %+v", report)
	}
	for _, d := range report.Damaged {
		if _, err := os.Lstat(d.File); err != nil || d.From != Waiting || len(d.Why) < 20 {
			t.Errorf("%+v: %v", d, err)
		}
	}
	wantIDs(t, o, Recorded, 4, 5)
	// Put again, the event that was lost to damage goes its way; damaged a second time, both files are kept.
	put(t, o, 1, "pour")
	if err := os.WriteFile(waiting(1), nil, 0o600); err != nil {
		t.Fatal(err)
	}
	wantIDs(t, o, Waiting)
	put(t, o, 1, "pour")
	flush(t, o, log.send)
	wantIDs(t, o, Recorded, 1, 4, 5)
	damaged, err := o.Damaged()
	if err != nil || len(damaged) != 6 {
		t.Errorf("%d damaged, %v: %+v", len(damaged), err, damaged)
	}
	misnamed := 0
	for _, d := range damaged {
		if strings.Contains(d.Why, "not damaged") {
			misnamed++
		}
	}
	if misnamed != 1 {
		t.Errorf("%d files are said to be misnamed, want the one of event 50", misnamed)
	}
}

// A damaged receipt must not make the outbox forget an event that a crash left waiting too.
func TestDamagedLaterFileKeepsTheWaitingOne(t *testing.T) {
	for _, later := range []State{Recorded, Refused} {
		folder := tempDir(t)
		o := open(t, folder)
		put(t, o, 1, "pour")
		if err := os.WriteFile(o.path(later, numbered(1)), []byte(magic), 0o600); err != nil {
			t.Fatal(err)
		}
		o = open(t, folder)
		wantIDs(t, o, Waiting, 1)
		wantIDs(t, o, later)
		// And an intact one wins over the copy in waiting.
		put(t, o, 2, "pour")
		file := encode(Item{Signed: signed(numbered(2), "pour"), Receipt: []byte("r")})
		if err := os.WriteFile(o.path(later, numbered(2)), file, 0o600); err != nil {
			t.Fatal(err)
		}
		o = open(t, folder)
		wantIDs(t, o, Waiting, 1)
		wantIDs(t, o, later, 2)
		if damaged, err := o.Damaged(); err != nil || len(damaged) != 1 || damaged[0].From != later {
			t.Errorf("damaged %+v, %v", damaged, err)
		}
	}
}

// What a crash leaves in two folders: opening settles it, and until then a dismissal takes the earlier copy along.
func TestCopiesInTwoFolders(t *testing.T) {
	folder := tempDir(t)
	o := open(t, folder)
	file := encode(Item{Signed: signed(numbered(1), "pour"), Reason: "X"})
	leave := func(states ...State) {
		t.Helper()
		for _, state := range states {
			if err := os.WriteFile(o.path(state, numbered(1)), file, 0o600); err != nil {
				t.Fatal(err)
			}
		}
	}
	for _, later := range []State{Recorded, Refused} {
		leave(Waiting, later)
		if err := o.Dismiss(numbered(1)); err != nil {
			t.Fatal(err)
		}
		wantIDs(t, o, Waiting)
		wantIDs(t, o, later)
	}
	leave(Refused, Recorded)
	o = open(t, folder)
	wantIDs(t, o, Refused)
	wantIDs(t, o, Recorded, 1)
}

// A right hash is not enough: what this program would not have written is damaged.
func TestContentOfAnotherHand(t *testing.T) {
	good := string(encode(Item{Signed: signed(numbered(1), "pour")}))
	_, body, _ := strings.Cut(good, "\n")
	if _, err := decode(withHash([]byte(body))); err != nil {
		t.Fatal(err)
	}
	for _, bad := range []string{`{"extra":1,` + body[1:], " " + body, body + body, body[:len(body)-1], `{"reason":"",` + body[1:],
		strings.Replace(body, `"event"`, `"Event"`, 1), "null\n", "[]\n", "{}\n"} {
		if _, err := decode(withHash([]byte(bad))); !refusal.Is(err, "OUTBOX_FILE_DAMAGED") {
			t.Errorf("%.60q: %v", bad, err)
		}
	}
}

// What a power cut leaves of a write is a draft: cut, empty, or whole but without its name. It is never sent.
func TestTornDraftsAreIgnored(t *testing.T) {
	folder := tempDir(t)
	o := open(t, folder)
	put(t, o, 1, "pour")
	whole := encode(Item{Signed: signed(numbered(2), "pour")})
	for i, content := range [][]byte{{}, whole[:100], whole, make([]byte, len(whole))} {
		if err := os.WriteFile(filepath.Join(folder, "drafts", fmt.Sprint(i)), content, 0o600); err != nil {
			t.Fatal(err)
		}
	}
	old := time.Now().Add(-2 * draftLife)
	if err := os.Chtimes(filepath.Join(folder, "drafts", "0"), old, old); err != nil {
		t.Fatal(err)
	}
	log := &fakeLog{folder: tempDir(t)}
	o = open(t, folder)
	if report := flush(t, o, log.send); report.Recorded != 1 || report.Damaged != nil {
		t.Errorf("report %+v", report)
	}
	left, err := os.ReadDir(filepath.Join(folder, "drafts"))
	if err != nil || len(left) != 3 || left[0].Name() != "1" {
		t.Errorf("drafts left: %v, %v; want all but the old one", left, err)
	}
}

func TestOpenRefuses(t *testing.T) {
	path := filepath.Join(tempDir(t), "file")
	if err := os.WriteFile(path, nil, 0o600); err != nil {
		t.Fatal(err)
	}
	_, err := Open(path)
	wantReason(t, err, "OUTBOX_NOT_WRITTEN")
	folder := tempDir(t)
	o := open(t, folder)
	put(t, o, 1, "pour")
	if err := os.RemoveAll(filepath.Join(folder, "waiting")); err != nil {
		t.Fatal(err)
	}
	_, err = o.Put(signed(numbered(2), "pour"))
	wantReason(t, err, "OUTBOX_NOT_WRITTEN")
	_, err = o.Waiting(1)
	wantReason(t, err, "OUTBOX_NOT_WRITTEN")
	_, err = o.Flush(t.Context(), nil)
	wantReason(t, err, "OUTBOX_NOT_WRITTEN")
}

// Against a naive model: a map from event to state, changed at random in both.
func TestAgainstAModel(t *testing.T) {
	seed := rand.Uint64()
	if text := os.Getenv("OUTBOX_SEED"); text != "" {
		if _, err := fmt.Sscan(text, &seed); err != nil {
			t.Fatal(err)
		}
	}
	t.Logf("OUTBOX_SEED=%d", seed)
	r := rand.New(rand.NewPCG(seed, 0))
	folder := tempDir(t)
	o := open(t, folder)
	model := map[int]State{}
	for range 300 {
		n := r.IntN(8)
		was, there := model[n]
		switch r.IntN(7) {
		case 0, 1:
			if put(t, o, n, "pour"); !there {
				model[n] = Waiting
			}
		case 2:
			if err := o.Recorded(numbered(n), nil); (err == nil) != there {
				t.Fatal(err)
			} else if there {
				model[n] = Recorded
			}
		case 3:
			if err := o.Refused(numbered(n), "R", "t"); (err == nil) != (there && was != Recorded) {
				t.Fatal(err)
			} else if err == nil {
				model[n] = Refused
			}
		case 4:
			if err := o.Retry(numbered(n)); (err == nil) != (was == Refused) {
				t.Fatal(err)
			} else if err == nil {
				model[n] = Waiting
			}
		case 5:
			if err := o.Dismiss(numbered(n)); (err == nil) != (there && was != Waiting) {
				t.Fatal(err)
			} else if err == nil {
				delete(model, n)
			}
		case 6:
			o = open(t, folder)
		}
		count := 0
		for _, state := range []State{Waiting, Recorded, Refused} {
			var want []int
			for n := range 8 {
				if model[n] == state {
					want = append(want, n)
				}
			}
			if wantIDs(t, o, state, want...); state == Waiting {
				count = len(want)
			}
		}
		if o.waiting != count {
			t.Fatalf("%d are counted as waiting, %d wait", o.waiting, count)
		}
		if t.Failed() {
			t.FailNow()
		}
	}
}

// Property: what is accepted encodes to the same bytes; what is not is said to be damaged.
func FuzzDecode(f *testing.F) {
	f.Add(encode(Item{Signed: signed(numbered(1), "pour")}))
	f.Add(encode(Item{Signed: signed(numbered(1), "pour"), Receipt: []byte("r"), Reason: "X", Text: "<\u2028>"}))
	f.Add([]byte(magic + "\n{}"))
	f.Fuzz(func(t *testing.T, file []byte) {
		item, err := decode(file)
		if err != nil {
			if !refusal.Is(err, "OUTBOX_FILE_DAMAGED") {
				t.Fatal(err)
			}
			return
		}
		if !bytes.Equal(encode(item), file) {
			t.Fatal("it does not encode to what it was decoded from")
		}
	})
}

// Property: any content with a right hash is either damaged or reads back; the hash must not be all that is checked.
func FuzzContent(f *testing.F) {
	good := encode(Item{Signed: signed(numbered(1), "pour"), Receipt: []byte("r")})
	f.Add(good[bytes.IndexByte(good, '\n')+1:])
	f.Add([]byte(`{"event":"","signature":""}` + "\n"))
	f.Fuzz(func(t *testing.T, body []byte) {
		file := withHash(body)
		item, err := decode(file)
		if err == nil && !bytes.Equal(encode(item), file) {
			t.Fatal("it does not encode to what it was decoded from")
		}
		if err != nil && !refusal.Is(err, "OUTBOX_FILE_DAMAGED") {
			t.Fatal(err)
		}
	})
}

func BenchmarkPut(b *testing.B) {
	o := open(b, b.TempDir())
	n := 0
	for b.Loop() {
		n++
		put(b, o, n, "pour")
	}
}

package desk

import (
	"bytes"
	"crypto/rand"
	"fmt"
	"net/http"
	"net/http/httptest"
	"net/url"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/google/uuid"
	"google.golang.org/protobuf/proto"

	"barward/client/outbox"
	"barward/client/station"
	"barward/internal/custody"
	"barward/internal/identity"
	"barward/internal/quantity"
	"barward/internal/weighing"
	pb "barward/proto/barward/v1"
)

// aBay is a desk without a service, somebody who sits at it, and a shift of n bars in one box.
func aBay(t testing.TB, n int) (v *visit, again func() *visit, s *shift) {
	t.Helper()
	key, err := identity.NewKey(rand.Reader)
	if err != nil {
		t.Fatal(err)
	}
	home := t.TempDir()
	open := func() *visit {
		d, err := New(Config{Home: home, Server: "127.0.0.1:1"}) // nobody listens there
		if err != nil {
			t.Fatal(err)
		}
		t.Cleanup(func() {
			if err := d.Close(); err != nil {
				t.Error(err)
			}
		})
		return &visit{d: d, r: httptest.NewRequest("POST", "/bay", nil), w: httptest.NewRecorder(),
			seat: &seat{Person: "thistlequay/dilly", Party: "thistlequay", key: key}}
	}
	box := custody.Box{ID: "quillmoss/B-1"}
	before := map[string]station.Before{}
	for i := range n {
		bar := fmt.Sprintf("quillmoss/M-%d", i)
		box.Bars = append(box.Bars, bar)
		before[bar] = station.Before{Mass: "18000.0 g", Stage: "pour"}
	}
	door := station.NewDoor("quillmoss/C-1", []custody.Box{box}, map[string][]string{"quillmoss/B-1": {"S-1"}})
	door.Before = before
	door.Limit = &weighing.Limit{Absolute: quantity.MustMass("0.5 g"), Rule: weighing.Larger}
	mass := quantity.MustMass
	v = open()
	s, err = v.d.newShift(keptShift{Kind: shiftScan, Party: "thistlequay", Consignment: "quillmoss/C-1",
		Balance: "thistlequay/TB1",
		Unit:    "g", Place: "thistlequay/quay-works", Door: door, Judge: &weighing.Balance{Class: weighing.ClassI,
			Capacity:    mass("32000 g"),
			Readability: mass("0.1 g"), Interval: mass("0.1 g"), Repeatability: mass("0.2 g"), CheckEvery: 7}})
	if err != nil {
		t.Fatal(err)
	}
	return v, open, s
}

// takes takes lines, the first of them with this number.
func takes(t testing.TB, v *visit, s *shift, first int, lines ...string) {
	t.Helper()
	for i, line := range lines {
		s.mu.Lock()
		err := v.take(s, "window", first+i, line)
		s.mu.Unlock()
		if err != nil {
			t.Fatalf("%q: %v", line, err)
		}
	}
}

func waitingIn(t testing.TB, v *visit) int {
	t.Helper()
	items, err := v.d.station.Outbox().Waiting(outbox.MaxPage)
	if err != nil {
		t.Fatal(err)
	}
	return len(items)
}

// The power goes between any two steps of taking a scan. What is begun again has taken every line that was answered,
// and signs nothing twice.
func TestShiftSurvivesPower(t *testing.T) {
	v, again, s := aBay(t, 3)
	takes(t, v, s, 1, "B-1 S-1", "M-0", "18000.0", "18000.0", "M-1", "18000.2")
	journal := v.d.kept.Path(journalFile(s.ID))
	whole, err := os.ReadFile(journal)
	if err != nil {
		t.Fatal(err)
	}

	// A torn line, which nobody was answered.
	if err := os.WriteFile(journal, append(bytes.Clone(whole), []byte(`{"page":"window","n":7,"te`)...),
		0o600); err != nil {
		t.Fatal(err)
	}
	v = again()
	if s, err = v.d.shift(s.ID); err != nil {
		t.Fatal(err)
	}
	if bar, readings, on := s.reader.(*station.Scan).OnBalance(); len(s.lines) != 6 || !on || bar != "quillmoss/M-1" ||
		len(readings) != 1 {
		t.Errorf("after a torn line: %d lines, bar %q with %q on the balance", len(s.lines), bar, readings)
	}
	takes(t, v, s, 7, "18000.2")
	takes(t, v, s, 7, "18000.2") // sent again
	if n := waitingIn(t, v); n != 2 {
		t.Fatalf("%d events wait, want 2", n)
	}

	// The journal has the line, and the outbox has not got the event yet.
	waiting, err := filepath.Glob(filepath.Join(v.d.c.Home, "outbox", "waiting", s.bars[1].ID+"*"))
	if err != nil || len(waiting) != 1 {
		t.Fatalf("%v %v", waiting, err)
	}
	if err := os.Remove(waiting[0]); err != nil {
		t.Fatal(err)
	}
	first := s.bars[1].ID
	v = again()
	if s, err = v.d.shift(s.ID); err != nil {
		t.Fatal(err)
	}
	takes(t, v, s, 7, "18000.2") // the browser heard no answer
	if n := waitingIn(t, v); n != 2 || s.bars[1].ID != first {
		t.Errorf("%d events wait, want 2; the second is %s and was %s", n, s.bars[1].ID, first)
	}

	// A journal that is damaged is not guessed at.
	if err := os.WriteFile(journal, append(bytes.Repeat([]byte("x"), 40), '\n'), 0o600); err != nil {
		t.Fatal(err)
	}
	if _, err := again().d.shift(s.ID); err == nil {
		t.Error("a damaged journal was read")
	}
}

// The air at the balance is asked for once a run, whole or not at all, and goes with every bar; a run that is read again
// from the disk has it too. What the service finds in the whole consignment is not put down to its last bar.
func TestShiftAir(t *testing.T) {
	typed := func(temperature, pressure, humidity string) (*pb.Air, error) {
		return (&Form{values: url.Values{"temperature_c": {temperature}, "pressure_hpa": {pressure},
			"humidity_percent": {humidity}}}).air()
	}
	if a, err := typed("", "", ""); a != nil || err != nil {
		t.Errorf("none typed: %v, %v", a, err)
	}
	for _, bad := range [][3]string{{"21", "", ""}, {"21", "1003", ""}, {"warm", "1003", "45"}, {"21", "3", "45"}} {
		if _, err := typed(bad[0], bad[1], bad[2]); err == nil {
			t.Errorf("%q passes for the air of a room", bad)
		}
	}
	air, err := typed("21.4", "1003.2", "45")
	if err != nil {
		t.Fatal(err)
	}
	v, again, s := aBay(t, 1)
	k := s.keptShift
	k.Air = air
	if s, err = v.d.newShift(k); err != nil {
		t.Fatal(err)
	}
	v = again()
	if s, err = v.d.shift(s.ID); err != nil {
		t.Fatal(err)
	}
	takes(t, v, s, 1, "B-1 S-1", "M-0 18000.0 18000.0")
	event := &pb.Event{}
	if err := proto.Unmarshal(s.lines[1].Event, event); err != nil || !proto.Equal(event.GetBarReceived().GetAir(), air) {
		t.Errorf("signed with the air %v, %v", event.GetBarReceived().GetAir(), err)
	}
	s.bars[0].became(outbox.Recorded, &pb.Receipt{Discrepancies: []*pb.Discrepancy{
		{Kind: pb.DiscrepancyKind_DISCREPANCY_KIND_WEIGHT_ON_ARRIVAL},
		{Kind: pb.DiscrepancyKind_DISCREPANCY_KIND_CONSIGNMENT_TOTAL}}}, "")
	if f := s.bars[0].Flags; len(f) != 2 || f[0].Bar != "M-0" || f[1].Bar != "The whole consignment" {
		t.Errorf("%+v", f)
	}
}

// How long the desk takes for a scan of a consignment of 400 bars: the rules, the journal and the outbox on the disk,
// and the page's parts.
func BenchmarkScan(b *testing.B) {
	v, _, s := aBay(b, 400)
	takes(b, v, s, 1, "B-1 S-1")
	n := 2
	for b.Loop() {
		bar := (n - 2) / 3 % 400
		line := []string{fmt.Sprintf("M-%d", bar), "18000.0", "18000.1"}[(n-2)%3]
		takes(b, v, s, n, line)
		s.mu.Lock()
		err := v.fill(s, lineAnswer{}, "answer", "lately", "remain", "onbalance", "boxes", "tally", "found", "received")
		s.mu.Unlock()
		if err != nil {
			b.Fatal(err)
		}
		v.w.(*httptest.ResponseRecorder).Body.Reset()
		n++
	}
}

// A scanning page that looks for news by itself does not keep the desk open; a scan does.
func TestNewsIsNoUseOfTheDesk(t *testing.T) {
	now := time.Now()
	d, err := New(Config{Home: t.TempDir(), Server: "127.0.0.1:1", Now: func() time.Time { return now }})
	if err != nil {
		t.Fatal(err)
	}
	defer func() {
		if err := d.Close(); err != nil {
			t.Error(err)
		}
	}()
	key, err := identity.NewKey(rand.Reader)
	if err != nil {
		t.Fatal(err)
	}
	ticket := strings.Repeat("t", ticketLength)
	d.sit(&seat{Party: "thistlequay", Kind: identity.Refinery, Roles: []identity.Role{identity.ReceivingClerk}, key: key,
		ticket: ticket})
	for _, ask := range []struct {
		method string
		live   bool
		use    bool
	}{{"GET", true, false}, {"GET", false, true}, {"POST", true, true}} {
		now = now.Add(time.Second)
		r := httptest.NewRequest(ask.method, "http://localhost/bay/shift/"+uuid.NewString()+"/news", nil)
		r.AddCookie(&http.Cookie{Name: "desk", Value: ticket})
		r.Header.Set("Origin", "http://localhost")
		r.Header.Set("X-Desk-Token", d.token(ticket))
		if ask.live {
			r.Header.Set("X-Desk-Live", "1")
		}
		d.ServeHTTP(httptest.NewRecorder(), r)
		d.mu.Lock()
		used := d.touched.Equal(now)
		d.mu.Unlock()
		if used != ask.use {
			t.Errorf("%s, live %v: the desk counts as used: %v, want %v", ask.method, ask.live, used, ask.use)
		}
	}
}

package station

import (
	"context"
	"fmt"
	"math/rand/v2"
	"net"
	"os"
	"runtime"
	"strconv"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"barward/client/outbox"
	"barward/client/station/stationtest"
	pb "barward/proto/barward/v1"
)

// The link of a gold room: it breaks in the middle of a word, in either direction, at the greeting or after the
// answer was given and before it came; it is slow, and it stands still. The short form makes 150 cuts, the long
// one as many as BARWARD_LINK_CUTS says; BARWARD_LINK_SEED repeats a run.

// badLink passes connections on to target and breaks them, until it is told to be good.
type badLink struct {
	listener net.Listener
	target   string
	good     atomic.Bool
	cuts     atomic.Int64

	mu     sync.Mutex
	chance *rand.Rand
	open   map[net.Conn]bool
	wait   sync.WaitGroup
}

func newBadLink(t *testing.T, target string, seed uint64) *badLink {
	t.Helper()
	listener, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	l := &badLink{listener: listener, target: target, chance: rand.New(rand.NewPCG(seed, 0)), open: map[net.Conn]bool{}}
	l.wait.Add(1)
	go l.serve()
	return l
}

func (l *badLink) serve() {
	defer l.wait.Done()
	for {
		near, err := l.listener.Accept()
		if err != nil {
			return // closed
		}
		far, err := net.Dial("tcp", l.target)
		if err != nil {
			_ = near.Close()
			continue
		}
		l.mu.Lock()
		l.open[near], l.open[far] = true, true
		l.mu.Unlock()
		l.wait.Add(2)
		go l.pass(near, far)
		go l.pass(far, near)
	}
}

// fate is how far a direction of a connection gets, and how.
type fate struct {
	bytes int           // after so many it is cut
	chunk int           // so many at a time
	pause time.Duration // after each
	stand time.Duration // before the cut
	reset bool          // cut as by a router that lost its memory, not as by an orderly end
}

func (l *badLink) draw() fate {
	l.mu.Lock()
	defer l.mu.Unlock()
	c := l.chance
	f := fate{bytes: 1 << c.IntN(15), chunk: 32 << 10, reset: c.IntN(2) == 0}
	f.bytes += c.IntN(f.bytes)
	switch c.IntN(10) {
	case 0:
		f.chunk, f.pause = 64+c.IntN(512), time.Millisecond
	case 1:
		f.stand = time.Duration(c.IntN(30)) * time.Millisecond
	}
	return f
}

// pass carries one direction to its fate.
func (l *badLink) pass(from, to net.Conn) {
	defer l.wait.Done()
	defer l.end(from, to, false)
	f := l.draw()
	buffer := make([]byte, f.chunk)
	for {
		room := len(buffer)
		good := l.good.Load()
		if !good {
			room = min(room, f.bytes)
		}
		n, err := from.Read(buffer[:room])
		if n > 0 {
			if _, err := to.Write(buffer[:n]); err != nil {
				return
			}
		}
		if err != nil {
			return
		}
		if good {
			continue
		}
		time.Sleep(f.pause)
		if f.bytes -= n; f.bytes <= 0 && !l.good.Load() {
			time.Sleep(f.stand)
			l.cuts.Add(1)
			l.end(from, to, f.reset)
			return
		}
		f.bytes = max(f.bytes, 1)
	}
}

func (l *badLink) end(from, to net.Conn, reset bool) {
	for _, conn := range []net.Conn{from, to} {
		if tcp, ok := conn.(*net.TCPConn); ok && reset {
			_ = tcp.SetLinger(0)
		}
		_ = conn.Close() // twice for the two directions
	}
	l.mu.Lock()
	defer l.mu.Unlock()
	delete(l.open, from)
	delete(l.open, to)
}

func (l *badLink) close() {
	_ = l.listener.Close()
	l.mu.Lock()
	for conn := range l.open {
		_ = conn.Close()
	}
	l.mu.Unlock()
	l.wait.Wait()
}

func fromEnv(t *testing.T, name string, otherwise uint64) uint64 {
	t.Helper()
	text := os.Getenv(name)
	if text == "" {
		return otherwise
	}
	n, err := strconv.ParseUint(text, 10, 64)
	if err != nil {
		t.Fatalf("%s: %v", name, err)
	}
	return n
}

// Whatever the link does, each event is in the log once, in the outbox as recorded, and proven; nothing is left
// running.
func TestEveryEventOnceOverABadLink(t *testing.T) {
	wanted := int64(fromEnv(t, "BARWARD_LINK_CUTS", 150))
	seed := fromEnv(t, "BARWARD_LINK_SEED", rand.Uint64())
	t.Logf("BARWARD_LINK_SEED=%d", seed)
	f := stationtest.New(t)
	server, stop := f.Serve(t, "127.0.0.1:0")
	before := runtime.NumGoroutine()
	link := newBadLink(t, server, seed)
	s := bench(t, f, server, func(c *Config) { c.Server = link.listener.Addr().String() })

	most, said, flushes, waiting := 0, 0, 0, 0
	for end := time.Now().Add(time.Duration(wanted/150+1) * 4 * time.Minute); link.cuts.Load() < wanted; {
		if time.Now().After(end) {
			t.Fatalf("only %d cuts of %d", link.cuts.Load(), wanted)
		}
		if waiting == 0 { // two or three bars while the link is as it is
			for range 2 + flushes%2 {
				say(t, s, said)
				said++
			}
		}
		err := s.Flush(t.Context(), nil)
		if flushes++; err != nil && !Unreachable(err) {
			t.Fatalf("a link that breaks is reported as %v", err)
		}
		left, err := s.Outbox().Waiting(outbox.MaxPage)
		if err != nil {
			t.Fatal(err)
		}
		waiting = len(left)
		if link.cuts.Load() < wanted/4 { // by then it has been through everything
			most = max(most, runtime.NumGoroutine())
		}
	}
	until(t, "no more goroutines run than in the first quarter, and a few", func() bool {
		return runtime.NumGoroutine() <= most+20
	})
	link.good.Store(true)
	until(t, "what waits is sent and proven", func() bool { return s.Flush(t.Context(), nil) == nil })
	t.Logf("%d cuts, %d flushes, %d events, %d sent more than once", link.cuts.Load(), flushes, said, f.Received()-f.Size())

	if f.Size() != said {
		t.Errorf("the log has %d entries of %d events", f.Size(), said)
	}
	seen := map[string]bool{}
	for n := range f.Size() {
		if what := f.Event(n).GetIncidentReported().GetDescription(); seen[what] {
			t.Errorf("%s is in the log twice", what)
		} else {
			seen[what] = true
		}
	}
	for state, want := range map[outbox.State]int{outbox.Waiting: 0, outbox.Refused: 0, outbox.Recorded: said} {
		if got := count(t, s, state); got != want {
			t.Errorf("%d are %s in the outbox, want %d", got, state, want)
		}
	}
	if damaged, err := s.Outbox().Damaged(); err != nil || len(damaged) != 0 {
		t.Errorf("damaged: %v (%v)", damaged, err)
	}
	if s.unproven() != 0 {
		t.Errorf("%d receipts are not proven", s.unproven())
	}
	if err := s.Close(); err != nil {
		t.Error(err)
	}
	link.close()
	stop()
	until(t, "all that was started has ended", func() bool { return runtime.NumGoroutine() <= before })
}

// say puts one event, of a number, in the outbox.
func say(t *testing.T, s *Station, n int) {
	t.Helper()
	event, err := s.Envelope(t.Context(), s.Key(), &pb.IncidentReported{Description: fmt.Sprintf("bar %d", n)}, "", "")
	if err != nil {
		t.Fatal(err)
	}
	if _, err := s.Put(s.Key(), event); err != nil {
		t.Fatal(err)
	}
}

func count(t *testing.T, s *Station, state outbox.State) (n int) {
	t.Helper()
	for page := (outbox.Page{Size: outbox.MaxPage}); ; {
		items, err := s.Outbox().List(state, page)
		if err != nil {
			t.Fatal(err)
		}
		if n += len(items); len(items) < page.Size {
			return n
		}
		page.After = items[len(items)-1].ID
	}
}

func (s *Station) unproven() int {
	s.mu.Lock()
	defer s.mu.Unlock()
	return len(s.doubts)
}

// An answer that is lost after the log has recorded is the one that tempts to record twice: here it is lost every time
// but the last.
func TestLostAnswers(t *testing.T) {
	f := stationtest.New(t)
	server, _ := f.Serve(t, "127.0.0.1:0")
	s := bench(t, f, server)
	if err := s.Advance(t.Context()); err != nil {
		t.Fatal(err)
	}
	say(t, s, 0)
	for range 5 {
		ctx, cancel := context.WithCancel(t.Context())
		returned := make(chan struct{})
		f.Receipt = func(*pb.Receipt) { // it is recorded, and whoever waits for it goes away before hearing of it
			cancel()
			<-returned
		}
		err := s.Flush(ctx, nil)
		close(returned)
		if cancel(); err == nil {
			t.Fatal("nothing was lost")
		}
	}
	f.Receipt = nil
	if waiting, err := s.Outbox().Waiting(outbox.MaxPage); err != nil || len(waiting) != 1 {
		t.Fatalf("%d wait (%v), want the one whose answer was lost", len(waiting), err)
	}
	if err := s.Flush(t.Context(), nil); err != nil {
		t.Fatal(err)
	}
	if f.Size() != 1 || f.Received() < 2 || count(t, s, outbox.Recorded) != 1 {
		t.Errorf("%d entries of one event that was sent %d times", f.Size(), f.Received())
	}
}

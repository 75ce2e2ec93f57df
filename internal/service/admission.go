package service

import (
	"context"
	"math"
	"net"
	"net/netip"
	"strconv"
	"sync"
	"sync/atomic"
	"time"

	"golang.org/x/time/rate"
	"google.golang.org/grpc/peer"

	"barward/internal/refusal"
)

// Who asks too much is told so at once and when to try again, and costs the others nothing: calls are metered by
// network address before a token is looked at, and by key after. A call that is refused here leaves a count and no log
// line.

// meters tell callers of one sort apart by their rate and by how much they have open.
type meters[K comparable] struct {
	rate           rate.Limit
	burst          int
	calls, streams int // most open at once

	mu     sync.Mutex
	known  map[K]*meter
	others *meter // shared by all beyond maxMeters
}

// meter is what one caller uses.
type meter struct {
	pace           *rate.Limiter
	calls, streams int // open now
}

func newMeters[K comparable](perSecond float64, burst, calls, streams int) *meters[K] {
	m := &meters[K]{rate: rate.Limit(perSecond), burst: burst, calls: most(calls), streams: most(streams),
		known: map[K]*meter{}}
	if perSecond < 0 {
		m.rate = rate.Inf
	}
	m.others = m.fresh()
	return m
}

// most is a bound on a number; negative is none.
func most(n int) int {
	if n < 0 {
		return math.MaxInt
	}
	return n
}

func (m *meters[K]) fresh() *meter { return &meter{pace: rate.NewLimiter(m.rate, m.burst)} }

// meter finds or makes the meter of who. The caller holds mu.
func (m *meters[K]) meter(who K, now time.Time) *meter {
	if found := m.known[who]; found != nil {
		return found
	}
	if len(m.known) >= maxMeters {
		for other, old := range m.known {
			// Who has rested for as long as a whole burst takes is as good as new.
			if old.calls == 0 && old.streams == 0 && old.pace.TokensAt(now) >= float64(m.burst) {
				delete(m.known, other)
			}
		}
	}
	if len(m.known) >= maxMeters {
		return m.others
	}
	made := m.fresh()
	m.known[who] = made
	return made
}

// enter counts a call in, or returns why not. leave must follow if it returned a meter.
func (m *meters[K]) enter(who K, now time.Time, stream bool) (*meter, error) {
	m.mu.Lock()
	defer m.mu.Unlock()
	found := m.meter(who, now)
	if stream && found.streams >= m.streams {
		return nil, refusal.New(refusal.Exhausted, "TOO_MANY_STREAMS", "",
			"%d streams of this key are open, as many as are allowed. Close one first.", m.streams).
			With("most", strconv.Itoa(m.streams)).With(retryAfter, retryDelay.String())
	}
	if !stream && found.calls >= m.calls {
		return nil, refusal.New(refusal.Exhausted, "TOO_MANY_CALLS", "",
			"%d calls of this key are open at once, as many as are allowed. Wait for an answer before the next call.", m.calls).
			With("most", strconv.Itoa(m.calls)).With(retryAfter, shedDelay.String())
	}
	if m.rate != rate.Inf {
		place := found.pace.ReserveN(now, 1)
		if wait := place.DelayFrom(now); wait > 0 {
			place.CancelAt(now)
			return nil, refusal.New(refusal.Exhausted, "RATE_EXCEEDED", "",
				"More than %.0f calls a second came from here. Wait %s; use RecordStream to send many events.",
				float64(m.rate), wait.Round(time.Millisecond)).
				With("calls_per_second", strconv.FormatFloat(float64(m.rate), 'f', -1, 64)).With(retryAfter, wait.String())
		}
	}
	if stream {
		found.streams++
	} else {
		found.calls++
	}
	return found, nil
}

func (m *meters[K]) leave(entered *meter, stream bool) {
	m.mu.Lock()
	defer m.mu.Unlock()
	if stream {
		entered.streams--
	} else {
		entered.calls--
	}
}

// retryAfter names the value of a refusal that says when to try again; it becomes RetryInfo.
const retryAfter = "retry_after"

// addressOf returns the network address of a call's other end: an IPv4 address, or the /64 network of an IPv6 one,
// because a network of that size is what one customer of a provider has.
func addressOf(addr net.Addr) netip.Addr {
	tcp, ok := addr.(*net.TCPAddr)
	if !ok {
		return netip.Addr{}
	}
	at := tcp.AddrPort().Addr().Unmap().WithZone("")
	if at.Is6() && !at.IsLoopback() {
		if network, err := at.Prefix(64); err == nil {
			return network.Addr()
		}
	}
	return at
}

func peerAddress(ctx context.Context) netip.Addr {
	if p, ok := peer.FromContext(ctx); ok {
		return addressOf(p.Addr)
	}
	return netip.Addr{}
}

// overloaded refuses an event while more wait for the ledger than it can take in a moment.
func (s *Service) overloaded() error {
	if s.waiting.Load() < maxWaiting {
		return nil
	}
	s.metrics.refusedEarly.Add(1)
	s.metrics.early.Inc()
	return refusal.New(refusal.Unavailable, "OVERLOADED", "",
		"More events wait for the ledger than it can take at once; this one is not recorded. "+
			"Send the same again in a moment.").
		With(retryAfter, shedDelay.String())
}

// Listener bounds the connections of another, all together and from one address: what is beyond is closed at once,
// before a byte is read. The handshake that follows has its own bound, see Limits.
func (s *Service) Listener(of net.Listener) net.Listener {
	return &listener{Listener: of, total: most(s.limits.Connections), each: most(s.limits.AddressConnections),
		refused: &s.metrics.refusedConnections, from: map[netip.Addr]int{}}
}

type listener struct {
	net.Listener
	total, each int
	refused     *atomic.Uint64

	mu   sync.Mutex
	open int
	from map[netip.Addr]int
}

func (l *listener) Accept() (net.Conn, error) {
	for {
		conn, err := l.Listener.Accept()
		if err != nil {
			return nil, err
		}
		from := addressOf(conn.RemoteAddr())
		if l.take(from) {
			return &counted{Conn: conn, give: sync.OnceFunc(func() { l.give(from) })}, nil
		}
		l.refused.Add(1)
		_ = conn.Close()
	}
}

func (l *listener) take(from netip.Addr) bool {
	l.mu.Lock()
	defer l.mu.Unlock()
	if l.open >= l.total || l.from[from] >= l.each {
		return false
	}
	l.open++
	l.from[from]++
	return true
}

func (l *listener) give(from netip.Addr) {
	l.mu.Lock()
	defer l.mu.Unlock()
	l.open--
	if l.from[from]--; l.from[from] == 0 {
		delete(l.from, from)
	}
}

// counted is a connection that gives its place back when it is closed.
type counted struct {
	net.Conn
	give func()
}

func (c *counted) Close() error {
	c.give()
	return c.Conn.Close()
}

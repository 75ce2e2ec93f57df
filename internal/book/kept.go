package book

import "sync"

// keep holds things decoded that nearly every event reads: who signs, for which party, on which balance, under which
// agreement. What a thing says follows from its bytes alone, so one is found by its bytes and never goes stale; nobody
// changes what is kept, because change makes a copy.
var keep keeper

type keeper struct {
	mu    sync.RWMutex
	known map[called]*kept
	bytes int
}

// kept is a thing with what was worked out from it.
type kept struct {
	value   thing
	once    sync.Once
	derived any
}

// derive returns what make works out of a thing, once for each state of the thing that is kept.
func derive[D any](s *store, table, name string, make func() D) D {
	h := s.named(table, name)
	if h == nil || h.kept == nil {
		return make() // changed by this event
	}
	h.kept.once.Do(func() { h.kept.derived = make() })
	return h.kept.derived.(D)
}

// memo keeps answers that follow from a text alone, up to a number of them.
type memo[A any] struct {
	mu    sync.RWMutex
	known map[string]A
}

func (m *memo[A]) of(text string, answer func() (A, error)) (A, error) {
	m.mu.RLock()
	known, ok := m.known[text]
	m.mu.RUnlock()
	if ok {
		return known, nil
	}
	fresh, err := answer()
	if err != nil {
		return fresh, err
	}
	m.mu.Lock()
	defer m.mu.Unlock()
	if m.known == nil || len(m.known) >= maxMemo {
		m.known = map[string]A{}
	}
	m.known[text] = fresh
	return fresh, nil
}

// get returns what these bytes of a table say, nil where it is not known.
func (k *keeper) get(table string, b []byte) *kept {
	k.mu.RLock()
	defer k.mu.RUnlock()
	return k.known[called{table, string(b)}]
}

// put remembers it. When there is too much, all is forgotten, and what is still used comes back by itself.
func (k *keeper) put(table string, b []byte, value thing) *kept {
	k.mu.Lock()
	defer k.mu.Unlock()
	if k.bytes += 2 * len(b); k.known == nil || k.bytes > maxKept {
		k.known, k.bytes = map[called]*kept{}, 2*len(b)
	}
	one := &kept{value: value}
	k.known[called{table, string(b)}] = one
	return one
}

package book

import (
	"sync/atomic"

	"barward/internal/identity"
	"barward/internal/ledger"
)

// desk is what the events before have found of the things that nearly every event reads: who signs, for which party, on
// which balance, under which agreement. They are looked up once and not once an event. As soon as
// an event changes one of them, or the index, all is forgotten. A nil desk knows nothing and keeps nothing.
type desk struct {
	book    *ledger.Book
	callers map[string]identity.Caller // by key
	things  map[called]*held
}

// desks keeps the desk of the book that was asked about last. Who asks about another at the same time takes its place; that
// costs time and nothing else, because a book has one user, who never finds an earlier desk again.
type desks struct{ last atomic.Pointer[desk] }

func (d *desks) of(pages *ledger.Book) *desk {
	if last := d.last.Load(); last != nil && last.book == pages {
		return last
	}
	fresh := &desk{book: pages, callers: map[string]identity.Caller{}, things: map[called]*held{}}
	d.last.Store(fresh)
	return fresh
}

// find returns a thing as the book has it, for one event to hold.
func (d *desk) find(table, name string) *held {
	if d == nil {
		return nil
	}
	known := d.things[called{table, name}]
	if known == nil {
		return nil
	}
	own := *known
	return &own
}

// put remembers a thing that was read from the book and not touched yet.
func (d *desk) put(h *held) {
	if d == nil {
		return
	}
	known := *h
	d.things[called{h.table, h.name}] = &known
}

// follow forgets everything if an event has changed something that is kept here. It is called when its writes begin.
func (d *desk) follow(s *store) {
	changed := len(s.marks) > 0
	for _, h := range s.held {
		changed = changed || h.touched && keptTables[h.table]
	}
	if changed {
		clear(d.callers)
		clear(d.things)
	}
}

// keptTables are the tables whose things are kept decoded.
var keptTables = map[string]bool{parties.table: parties.kept, persons.table: persons.kept, balances.table: balances.kept,
	agreements.table: agreements.kept}

// caller is CallerOf, looked up once.
func (f *fold) caller() (identity.Caller, error) {
	key := f.event.AuthorKey
	if f.desk == nil {
		return CallerOf(f.pages, key)
	}
	if known, ok := f.desk.callers[string(key)]; ok {
		return known, nil
	}
	found, err := CallerOf(f.pages, key)
	if err == nil {
		f.desk.callers[string(key)] = found
	}
	return found, err
}

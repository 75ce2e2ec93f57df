package book

import (
	"encoding/binary"
	"fmt"
	"slices"

	"google.golang.org/protobuf/proto"

	"barward/internal/ledger"
	"barward/internal/refusal"
)

// A thing is what the book keeps: a message with a name.
type thing interface {
	proto.Message
	GetName() string
}

// store reads things from the book and holds back what an event changes until write.
type store struct {
	pages  *ledger.Book
	seq    uint64
	held   []*held
	byName map[called]*held // once there are many
	desk   *desk            // what other events have found; nil where there is none
	marks  []mark
	rows   []mark
	made   uint16
}

// called names a thing among all that the book keeps.
type called struct{ table, name string }

// held is a thing that this event has read or made. Whoever loads a thing gets the same one each time. To alter it, take
// it from change first; write stores those that were.
type held struct {
	table   string
	name    string
	key     []byte
	value   thing
	kept    *kept // where the value is shared with other events, until it is changed
	before  keyed // what it was found by before it was changed
	touched bool
	fresh   bool
}

// mark is one line of the index: something that leads to a name.
type mark struct{ key, name string }

const (
	indexTable = "index"
	nameSuffix = ".name"
)

// layout is the version of how the book lies in its tables. It says nothing of what the book says.
const layout = "2"

var layoutKey = []byte("layout")

// Stale reports whether a book lies as an older or newer program laid it. It says the same, but lists would not find
// everything: have the ledger rebuild it.
func Stale(pages *ledger.Book) bool {
	index := pages.Table(indexTable)
	if string(index.Get(layoutKey)) == layout {
		return false
	}
	first, _ := index.Cursor().First()
	return first != nil
}

// load returns the thing of this name, as this event has changed it so far. It is to be read only.
func (t table[T]) load(s *store, name string) (T, bool) {
	if h := s.named(t.table, name); h != nil {
		return h.value.(T), true
	}
	if t.kept {
		if h := s.desk.find(t.table, name); h != nil {
			s.hold(h)
			return h.value.(T), true
		}
	}
	var none T
	names, things := s.pages.Table(t.table+nameSuffix), s.pages.Table(t.table)
	if name == "" {
		return none, false
	}
	key := names.Get([]byte(name))
	if key == nil {
		return none, false
	}
	h := &held{table: t.table, key: append([]byte(nil), key...)}
	value, err := t.read(h, things.Get(key))
	if err != nil {
		panic(err) // the book's own bytes: Verify and rebuild find this, and the ledger turns it into DATA_LOSS
	}
	h.value = value
	s.hold(h)
	if t.kept {
		s.desk.put(h)
	}
	return value, true
}

// read decodes a thing, or takes it from those kept decoded.
func (t table[T]) read(h *held, b []byte) (T, error) {
	if !t.kept {
		return t.decode(b)
	}
	if k := keep.get(t.table, b); k != nil {
		h.kept = k
		return k.value.(T), nil
	}
	value, err := t.decode(b)
	if err == nil {
		h.kept = keep.put(t.table, b, value)
	}
	return value, err
}

func (t table[T]) decode(b []byte) (T, error) {
	value := t.blank()
	if err := proto.Unmarshal(b, value); err != nil {
		return value, refusal.New(refusal.DataLoss, "BOOK_UNREADABLE", "", "the book holds a %s that cannot be read; stop and rebuild it", t.table).Because(err)
	}
	return value, nil
}

func (s *store) hold(h *held) {
	h.name = h.value.GetName()
	s.held = append(s.held, h)
	switch {
	case s.byName != nil:
		s.byName[called{h.table, h.name}] = h
	case len(s.held) > fewHeld:
		s.byName = map[called]*held{}
		for _, h := range s.held {
			s.byName[called{h.table, h.name}] = h
		}
	}
}

// named returns the thing of this name that the event holds, the last one where there are several; nil where it holds none.
func (s *store) named(table, name string) *held {
	if s.byName != nil {
		return s.byName[called{table, name}]
	}
	for i := len(s.held) - 1; i >= 0; i-- {
		if h := s.held[i]; h.name == name && h.table == table {
			return h
		}
	}
	return nil
}

// change returns the thing of this name to be altered. What load returned before may be another copy.
func (t table[T]) change(s *store, name string) (T, bool) {
	value, ok := t.load(s, name)
	if !ok {
		return value, false
	}
	h := s.named(t.table, name)
	if h.touched {
		return value, true
	}
	h.touched = true
	if h.kept != nil {
		value = proto.CloneOf(value)
		h.value, h.kept = value, nil
	}
	if t.keys != nil {
		h.before = t.keys(value)
	}
	return value, true
}

// create adds a new thing; its name must be free (see free).
func (t table[T]) create(s *store, value T) {
	key := binary.BigEndian.AppendUint16(binary.BigEndian.AppendUint64(nil, s.seq), s.made)
	s.made++
	s.hold(&held{table: t.table, key: key, value: value, touched: true, fresh: true})
}

// free refuses a name that is taken.
func (t table[T]) free(s *store, field, name string) error {
	if _, taken := t.load(s, name); taken {
		h := s.named(t.table, name)
		if h.fresh {
			return refusal.New(refusal.Exists, "NAME_IN_USE", field, "%s %s is given twice; numbers and marks are used once, so choose another for one of them", t.title(), name).About(name).With("name", name)
		}
		first := binary.BigEndian.Uint64(h.key)
		return refusal.New(refusal.Exists, "NAME_IN_USE", field, "%s %s is on record already (entry %d); numbers and marks are used once, so choose another", t.title(), name, first).
			About(name).With("name", name).With("first_sequence", fmt.Sprint(first))
	}
	return nil
}

// find follows the index; set adds to it.
func (s *store) find(index, key string) (string, bool) {
	full := index + "\x00" + key
	for i := len(s.marks) - 1; i >= 0; i-- { // the last set is the one that write leaves
		if s.marks[i].key == full {
			return s.marks[i].name, true
		}
	}
	name := s.pages.Table(indexTable).Get([]byte(full))
	return string(name), name != nil
}

func (s *store) set(index, key, name string) {
	s.marks = append(s.marks, mark{index + "\x00" + key, name})
}

var deterministic = proto.MarshalOptions{Deterministic: true}

// write stores what was touched, in the order in which it was first read or made.
func (s *store) write(pages *ledger.Book) error {
	for _, h := range s.held {
		if !h.touched {
			continue
		}
		if err := h.write(pages); err != nil {
			return err
		}
	}
	if err := s.writeRows(pages); err != nil || len(s.marks) == 0 {
		return err
	}
	index := pages.Table(indexTable)
	if index.Get(layoutKey) == nil {
		if err := index.Put(layoutKey, []byte(layout)); err != nil {
			return err
		}
	}
	for _, m := range s.marks {
		if err := index.Put([]byte(m.key), []byte(m.name)); err != nil {
			return err
		}
	}
	return nil
}

// write stores a thing under its key, its name and what it is found by.
func (h *held) write(pages *ledger.Book) error {
	things := pages.Table(h.table)
	if err := things.Growing(); err != nil { // keys come in order of time; only a changed old thing goes in between
		return err
	}
	value, err := deterministic.Marshal(h.value)
	if err != nil {
		return err
	}
	if err := things.Put(h.key, value); err != nil {
		return err
	}
	if t := byTitle[h.table]; t != nil {
		if err := h.reindex(pages, t.keysOf(h.value)); err != nil {
			return err
		}
	}
	if !h.fresh {
		return nil
	}
	return pages.Table(h.table+nameSuffix).Put([]byte(h.value.GetName()), h.key)
}

// concerned is a thing that only some parties may read.
type concerned interface{ GetParties() []string }

// need returns a thing that the author's party may read, to be read. An unknown thing and a forbidden one answer alike.
func need[T thing](f *fold, t table[T], field, name string) (T, error) {
	value, ok := t.load(&f.store, name)
	if ok {
		c, limited := any(value).(concerned)
		ok = !limited || slices.Contains(c.GetParties(), f.who.PartyID)
	}
	if !ok {
		var none T
		return none, unknown(field, t.title(), name)
	}
	return value, nil
}

// alter is need for a thing that will be changed.
func alter[T thing](f *fold, t table[T], field, name string) (T, error) {
	value, err := need(f, t, field, name)
	if err == nil {
		t.change(&f.store, name)
	}
	return value, err
}

func unknown(field, title, name string) error {
	return refusal.New(refusal.NotFound, "NAME_UNKNOWN", field, "no %s %q is on record for your party; write it as party/number and look at the list", title, clip(name)).
		About(clip(name)).With("name", clip(name))
}

// join adds what is not in the list yet. It never writes into the list given, which other things may share.
func join(list []string, more ...string) []string {
	list = list[:len(list):len(list)]
	for _, m := range more {
		if m != "" && !slices.Contains(list, m) {
			list = append(list, m)
		}
	}
	return list
}

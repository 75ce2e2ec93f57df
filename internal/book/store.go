package book

import (
	"encoding/binary"
	"fmt"
	"slices"

	"go.etcd.io/bbolt"
	"google.golang.org/protobuf/proto"

	"barward/internal/refusal"
	pb "barward/proto/barward/v1"
)

// A thing is what the book keeps: a message with a name.
type thing interface {
	proto.Message
	GetName() string
}

// table keeps things of one kind. The key of a thing is the sequence number of the entry that made it and its place in
// that entry, so things lie in the order of time and a day's work touches the last pages only; a second bucket leads
// from the name to the key.
type table[T thing] struct {
	bucket string
	kind   pb.ThingKind
	blank  func() T
	wrap   func(T) *pb.Thing
}

func (t table[T]) title() string { return t.bucket }

var (
	parties = table[*pb.Party]{"party", pb.ThingKind_THING_KIND_PARTY, func() *pb.Party { return new(pb.Party) },
		func(v *pb.Party) *pb.Thing { return &pb.Thing{Thing: &pb.Thing_Party{Party: v}} }}
	persons = table[*pb.Person]{"person", pb.ThingKind_THING_KIND_PERSON, func() *pb.Person { return new(pb.Person) },
		func(v *pb.Person) *pb.Thing { return &pb.Thing{Thing: &pb.Thing_Person{Person: v}} }}
	balances = table[*pb.Balance]{"balance", pb.ThingKind_THING_KIND_BALANCE, func() *pb.Balance { return new(pb.Balance) },
		func(v *pb.Balance) *pb.Thing { return &pb.Thing{Thing: &pb.Thing_Balance{Balance: v}} }}
	agreements = table[*pb.Agreement]{"agreement", pb.ThingKind_THING_KIND_AGREEMENT, func() *pb.Agreement { return new(pb.Agreement) },
		func(v *pb.Agreement) *pb.Thing { return &pb.Thing{Thing: &pb.Thing_Agreement{Agreement: v}} }}
	series = table[*pb.PriceSeries]{"price_series", pb.ThingKind_THING_KIND_PRICE_SERIES, func() *pb.PriceSeries { return new(pb.PriceSeries) },
		func(v *pb.PriceSeries) *pb.Thing { return &pb.Thing{Thing: &pb.Thing_PriceSeries{PriceSeries: v}} }}
	calendars = table[*pb.HolidayCalendar]{"holiday_calendar", pb.ThingKind_THING_KIND_HOLIDAY_CALENDAR, func() *pb.HolidayCalendar { return new(pb.HolidayCalendar) },
		func(v *pb.HolidayCalendar) *pb.Thing {
			return &pb.Thing{Thing: &pb.Thing_HolidayCalendar{HolidayCalendar: v}}
		}}
	pours = table[*pb.Pour]{"pour", pb.ThingKind_THING_KIND_POUR, func() *pb.Pour { return new(pb.Pour) },
		func(v *pb.Pour) *pb.Thing { return &pb.Thing{Thing: &pb.Thing_Pour{Pour: v}} }}
	bars = table[*pb.Bar]{"bar", pb.ThingKind_THING_KIND_BAR, func() *pb.Bar { return new(pb.Bar) },
		func(v *pb.Bar) *pb.Thing { return &pb.Thing{Thing: &pb.Thing_Bar{Bar: v}} }}
	samples = table[*pb.Sample]{"sample", pb.ThingKind_THING_KIND_SAMPLE, func() *pb.Sample { return new(pb.Sample) },
		func(v *pb.Sample) *pb.Thing { return &pb.Thing{Thing: &pb.Thing_Sample{Sample: v}} }}
	boxes = table[*pb.Box]{"box", pb.ThingKind_THING_KIND_BOX, func() *pb.Box { return new(pb.Box) },
		func(v *pb.Box) *pb.Thing { return &pb.Thing{Thing: &pb.Thing_Box{Box: v}} }}
	consignments = table[*pb.Consignment]{"consignment", pb.ThingKind_THING_KIND_CONSIGNMENT, func() *pb.Consignment { return new(pb.Consignment) },
		func(v *pb.Consignment) *pb.Thing { return &pb.Thing{Thing: &pb.Thing_Consignment{Consignment: v}} }}
	lots = table[*pb.Lot]{"lot", pb.ThingKind_THING_KIND_LOT, func() *pb.Lot { return new(pb.Lot) },
		func(v *pb.Lot) *pb.Thing { return &pb.Thing{Thing: &pb.Thing_Lot{Lot: v}} }}
	statements = table[*pb.Statement]{"statement", pb.ThingKind_THING_KIND_STATEMENT, func() *pb.Statement { return new(pb.Statement) },
		func(v *pb.Statement) *pb.Thing { return &pb.Thing{Thing: &pb.Thing_Statement{Statement: v}} }}
	returns = table[*pb.Return]{"return", pb.ThingKind_THING_KIND_RETURN, func() *pb.Return { return new(pb.Return) },
		func(v *pb.Return) *pb.Thing { return &pb.Thing{Thing: &pb.Thing_Return{Return: v}} }}
	discrepancies = table[*pb.Discrepancy]{"discrepancy", pb.ThingKind_THING_KIND_DISCREPANCY, func() *pb.Discrepancy { return new(pb.Discrepancy) },
		func(v *pb.Discrepancy) *pb.Thing { return &pb.Thing{Thing: &pb.Thing_Discrepancy{Discrepancy: v}} }}
	corrections = table[*pb.Correction]{"correction", pb.ThingKind_THING_KIND_CORRECTION, func() *pb.Correction { return new(pb.Correction) },
		func(v *pb.Correction) *pb.Thing { return &pb.Thing{Thing: &pb.Thing_Correction{Correction: v}} }}
	notes = table[*pb.EntryNote]{"note", pb.ThingKind_THING_KIND_UNSPECIFIED, func() *pb.EntryNote { return new(pb.EntryNote) }, nil}
)

// store reads things from the bucket and holds back what an event changes until write.
type store struct {
	bucket *bbolt.Bucket
	seq    uint64
	held   []*held
	byName map[string]*held
	marks  []mark
	made   uint16
}

// held is a thing that this event has read or made. Whoever loads a thing gets the same one each time and may change it;
// write stores those that were touched.
type held struct {
	bucket  string
	key     []byte
	value   thing
	touched bool
	fresh   bool
}

// mark is one line of the index: something that leads to a name.
type mark struct{ key, name string }

const (
	indexBucket = "index"
	nameSuffix  = ".name"
)

// load returns the thing of this name, as this event has changed it so far.
func (t table[T]) load(s *store, name string) (T, bool) {
	if h := s.byName[t.bucket+" "+name]; h != nil {
		return h.value.(T), true
	}
	var none T
	names, things := s.bucket.Bucket([]byte(t.bucket+nameSuffix)), s.bucket.Bucket([]byte(t.bucket))
	if names == nil || things == nil || name == "" {
		return none, false
	}
	key := names.Get([]byte(name))
	if key == nil {
		return none, false
	}
	value, err := t.decode(things.Get(key))
	if err != nil {
		panic(err) // the book's own bytes: Verify and rebuild find this, and the ledger turns it into DATA_LOSS
	}
	s.hold(&held{bucket: t.bucket, key: append([]byte(nil), key...), value: value})
	return value, true
}

func (t table[T]) decode(b []byte) (T, error) {
	value := t.blank()
	if err := proto.Unmarshal(b, value); err != nil {
		return value, refusal.New(refusal.DataLoss, "BOOK_UNREADABLE", "", "the book holds a %s that cannot be read; stop and rebuild it", t.bucket).Because(err)
	}
	return value, nil
}

func (s *store) hold(h *held) {
	if s.byName == nil {
		s.byName = map[string]*held{}
	}
	s.held = append(s.held, h)
	s.byName[h.bucket+" "+h.value.GetName()] = h
}

// change returns the thing of this name to be changed.
func (t table[T]) change(s *store, name string) (T, bool) {
	value, ok := t.load(s, name)
	if ok {
		s.byName[t.bucket+" "+name].touched = true
	}
	return value, ok
}

// create adds a new thing; its name must be free (see free).
func (t table[T]) create(s *store, value T) {
	key := binary.BigEndian.AppendUint16(binary.BigEndian.AppendUint64(nil, s.seq), s.made)
	s.made++
	s.hold(&held{bucket: t.bucket, key: key, value: value, touched: true, fresh: true})
}

// free refuses a name that is taken.
func (t table[T]) free(s *store, field, name string) error {
	if _, taken := t.load(s, name); taken {
		h := s.byName[t.bucket+" "+name]
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
	b := s.bucket.Bucket([]byte(indexBucket))
	if b == nil {
		return "", false
	}
	name := b.Get([]byte(full))
	return string(name), name != nil
}

func (s *store) set(index, key, name string) {
	s.marks = append(s.marks, mark{index + "\x00" + key, name})
}

var deterministic = proto.MarshalOptions{Deterministic: true}

// write stores what was touched, in the order in which it was first read or made.
func (s *store) write(bucket *bbolt.Bucket) error {
	for _, h := range s.held {
		if !h.touched {
			continue
		}
		things, err := bucket.CreateBucketIfNotExists([]byte(h.bucket))
		if err != nil {
			return err
		}
		things.FillPercent = 0.95 // keys come in order of time; only a changed old thing goes in between
		value, err := deterministic.Marshal(h.value)
		if err != nil {
			return err
		}
		if err := things.Put(h.key, value); err != nil {
			return err
		}
		if !h.fresh {
			continue
		}
		names, err := bucket.CreateBucketIfNotExists([]byte(h.bucket + nameSuffix))
		if err != nil {
			return err
		}
		if err := names.Put([]byte(h.value.GetName()), h.key); err != nil {
			return err
		}
	}
	if len(s.marks) == 0 {
		return nil
	}
	index, err := bucket.CreateBucketIfNotExists([]byte(indexBucket))
	if err != nil {
		return err
	}
	for _, m := range s.marks {
		if err := index.Put([]byte(m.key), []byte(m.name)); err != nil {
			return err
		}
	}
	return nil
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

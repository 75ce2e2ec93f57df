package book

import (
	"encoding/base64"
	"encoding/binary"
	"slices"
	"strings"

	"google.golang.org/protobuf/reflect/protoreflect"

	"barward/internal/identity"
	"barward/internal/ledger"
	"barward/internal/refusal"
	"barward/internal/settlement"
	pb "barward/proto/barward/v1"
)

// anyTable is a table of things of whatever kind.
type anyTable interface {
	title() string
	kindOf() pb.ThingKind
	get(*store, string) (thing, bool)
	show(thing) *pb.Thing
	fields() protoreflect.FieldDescriptors
	page(pages *ledger.Book, after []byte, below uint64, visit func(key []byte, value thing) bool) error
	pageBy(pages *ledger.Book, conditions []narrowing, after []byte, below uint64, visit func(key []byte, value thing) bool) (last []byte, err error)
	column(field string) int
	keysOf(value thing) keyed
	limited() bool
}

var (
	tables = []anyTable{parties, persons, balances, agreements, series, calendars, pours, bars, samples, boxes, consignments, lots, statements, returns, discrepancies, corrections, grants, cosignatures}

	byTitle = map[string]anyTable{}
	byKind  = map[pb.ThingKind]anyTable{}
)

func init() {
	for _, t := range tables {
		byTitle[t.title()], byKind[t.kindOf()] = t, t
	}
}

func (t table[T]) kindOf() pb.ThingKind { return t.kind }

func (t table[T]) get(s *store, name string) (thing, bool) { return t.load(s, name) }

func (t table[T]) show(value thing) *pb.Thing { return t.wrap(value.(T)) }

func (t table[T]) fields() protoreflect.FieldDescriptors {
	return t.blank().ProtoReflect().Descriptor().Fields()
}

// page visits things in the order of time, after a key and below a tree size, until visit says no.
func (t table[T]) page(pages *ledger.Book, after []byte, below uint64, visit func([]byte, thing) bool) error {
	c := pages.Table(t.table).Cursor()
	k, v := c.First()
	if len(after) > 0 {
		if k, v = c.Seek(after); string(k) == string(after) {
			k, v = c.Next()
		}
	}
	for ; len(k) == 10 && binary.BigEndian.Uint64(k) < below; k, v = c.Next() {
		value, err := t.decode(v)
		if err != nil {
			return err
		}
		if !visit(k, value) {
			return nil
		}
	}
	return nil
}

// pageBy visits the things that meet all conditions, in the order of time, until visit says no. Where it has looked long
// enough, it returns the key from which to go on.
func (t table[T]) pageBy(pages *ledger.Book, conditions []narrowing, after []byte, below uint64, visit func([]byte, thing) bool) (last []byte, err error) {
	things := pages.Table(t.table)
	last = agreeing(pages.Table(t.table+bySuffix), conditions, after, below, maxScanned, func(key []byte) bool {
		var value T
		if value, err = t.decode(things.Get(key)); err != nil {
			return false
		}
		return visit(key, value)
	})
	return last, err
}

// column returns the number of a column, 0 where a field is none.
func (t table[T]) column(field string) int { return slices.Index(t.columns, field) + 1 }

// limited reports whether only some parties may read things of this kind.
func (t table[T]) limited() bool {
	_, is := any(t.blank()).(concerned)
	return is
}

// each visits every thing of a table in the order of time.
func (t table[T]) each(pages *ledger.Book, visit func(T) error) (err error) {
	scanErr := t.page(pages, nil, ^uint64(0), func(_ []byte, value thing) bool {
		err = visit(value.(T))
		return err == nil
	})
	if scanErr != nil {
		return scanErr
	}
	return err
}

// sorts says what sort of information each kind of thing is; who sees which is in identity's matrix.
var sorts = map[pb.ThingKind]identity.What{
	pb.ThingKind_THING_KIND_PARTY: identity.Registry, pb.ThingKind_THING_KIND_PERSON: identity.Registry,
	pb.ThingKind_THING_KIND_BALANCE: identity.Registry, pb.ThingKind_THING_KIND_HOLIDAY_CALENDAR: identity.Registry,
	pb.ThingKind_THING_KIND_AGREEMENT: identity.Money, pb.ThingKind_THING_KIND_PRICE_SERIES: identity.Money,
	pb.ThingKind_THING_KIND_POUR: identity.Custody, pb.ThingKind_THING_KIND_BAR: identity.Custody,
	pb.ThingKind_THING_KIND_BOX: identity.Custody, pb.ThingKind_THING_KIND_CONSIGNMENT: identity.Custody,
	pb.ThingKind_THING_KIND_SAMPLE: identity.Assays, pb.ThingKind_THING_KIND_LOT: identity.Money,
	pb.ThingKind_THING_KIND_STATEMENT: identity.Money, pb.ThingKind_THING_KIND_RETURN: identity.Money,
	pb.ThingKind_THING_KIND_DISCREPANCY: identity.Custody, pb.ThingKind_THING_KIND_CORRECTION: identity.Custody,
	pb.ThingKind_THING_KIND_GRANT: identity.Money, pb.ThingKind_THING_KIND_COSIGNATURE: identity.Registry,
}

// sight reduces a thing to what a caller may see of it; nil where that is nothing.
func (s *store) sight(caller identity.Caller, kind pb.ThingKind, value thing) thing {
	if !s.reaches(caller, sortOf(kind, value), value) {
		if sample, ok := value.(*pb.Sample); ok {
			if packet := s.packetsFor(caller, sample); packet != nil {
				return packet
			}
		}
		return nil
	}
	switch v := value.(type) {
	case *pb.Bar:
		if s.reaches(caller, identity.Assays, value) {
			v.Assays = unsealed(v.Assays, caller)
		} else {
			v.Assays = nil
		}
	case *pb.Sample:
		v.Assays = unsealed(v.Assays, caller)
	case *pb.Consignment:
		s.whole(v)
	case *pb.Correction:
		if note, ok := notes.load(s, v.Name); ok && s.sealedFrom(caller, note) {
			return nil
		}
	case *pb.Discrepancy:
		if !s.reaches(caller, identity.Money, value) {
			v.Money, v.FineOunces, v.Conceded = "", "", ""
		}
	}
	return value
}

// reaches reports whether a caller may read a sort of information about a thing: a party that the thing concerns, of a
// kind that sees the sort; or auditors whose grant covers it.
func (s *store) reaches(caller identity.Caller, what identity.What, value thing) bool {
	c, limited := value.(concerned)
	if caller.PartyKind == identity.Auditors && what != identity.Registry && !made(caller, value) {
		if grant, ok := value.(*pb.Grant); ok {
			return grant.Auditor == caller.PartyID
		}
		return s.granted(caller, what, value)
	}
	if !identity.Sees(caller.PartyKind, what) && !made(caller, value) {
		return false
	}
	return !limited || slices.Contains(c.GetParties(), caller.PartyID)
}

// packetsFor is what a laboratory sees of a sample of others: the packets that name it, or that it got as umpire, and its
// own reports. Not the source, the other packets, or what anybody else found.
func (s *store) packetsFor(caller identity.Caller, sample *pb.Sample) *pb.Sample {
	if caller.PartyKind != identity.Laboratory {
		return nil
	}
	ids, ok := s.find("packets", sample.Name+" "+caller.PartyID)
	if !ok {
		return nil
	}
	out := &pb.Sample{Name: sample.Name, Party: sample.Party, TakenAt: sample.TakenAt, Parties: []string{caller.PartyID},
		Taken: &pb.SampleTaken{SampleId: sample.Taken.SampleId, Method: sample.Taken.Method}}
	for _, p := range sample.Taken.Packets {
		if slices.Contains(strings.Fields(ids), p.PacketId) {
			out.Taken.Packets = append(out.Taken.Packets, p)
		}
	}
	for _, a := range sample.Assays {
		if a.Party == caller.PartyID {
			out.Assays = append(out.Assays, a)
		}
	}
	return out
}

// unsealed leaves out the reports that a caller may not read yet.
func unsealed(list []*pb.AssayRecord, caller identity.Caller) []*pb.AssayRecord {
	return slices.DeleteFunc(slices.Clone(list), func(a *pb.AssayRecord) bool { return a.Sealed && a.Party != caller.PartyID })
}

// made reports whether a thing is the caller's party's own.
func made(caller identity.Caller, value thing) bool {
	own, ok := value.(interface{ GetParty() string })
	return ok && own.GetParty() == caller.PartyID
}

// sortOf says what sort of information a thing is.
func sortOf(kind pb.ThingKind, value thing) identity.What {
	if c, ok := value.(*pb.Correction); ok && c.Corrected.GetAssayReported() != nil {
		return identity.Assays
	}
	d, ok := value.(*pb.Discrepancy)
	if !ok {
		return sorts[kind]
	}
	switch d.Kind {
	case pb.DiscrepancyKind_DISCREPANCY_KIND_ASSAY_SPLIT, pb.DiscrepancyKind_DISCREPANCY_KIND_ASSAY_SUM,
		pb.DiscrepancyKind_DISCREPANCY_KIND_DUPLICATES_DISAGREE, pb.DiscrepancyKind_DISCREPANCY_KIND_REVEAL_MISMATCH:
		return identity.Assays
	case pb.DiscrepancyKind_DISCREPANCY_KIND_RETURN_DIFFERS, pb.DiscrepancyKind_DISCREPANCY_KIND_MELT_LOSS:
		return identity.Money
	case pb.DiscrepancyKind_DISCREPANCY_KIND_KEY_IN_DOUBT:
		return identity.Registry
	}
	return identity.Custody
}

func tableOf(kind pb.ThingKind) (anyTable, error) {
	t, ok := byKind[kind]
	if !ok {
		return nil, refusal.Invalidf("THING_KIND_MISSING", "kind", "no kind of thing is stated; choose one, such as THING_KIND_BAR")
	}
	return t, nil
}

// Get returns one thing that the caller may see; an unknown and a forbidden one answer alike.
func Get(pages *ledger.Book, caller identity.Caller, kind pb.ThingKind, name string) (*pb.Thing, error) {
	t, err := tableOf(kind)
	if err != nil {
		return nil, err
	}
	s := &store{pages: pages}
	value, ok := t.get(s, name)
	if ok {
		if value = s.sight(caller, kind, value); value != nil {
			return t.show(value), nil
		}
	}
	return nil, unknown("name", t.title(), name)
}

// List returns a page of things that the caller may see and that pass the filter, the oldest first, and the token of the
// next page. The list is that of the tree as it was when the first page was read: size is the tree's now, and later
// pages carry the first one's in their token.
func List(pages *ledger.Book, caller identity.Caller, kind pb.ThingKind, filter, token string, pageSize int, size uint64) ([]*pb.Thing, string, error) {
	t, err := tableOf(kind)
	if err != nil {
		return nil, "", err
	}
	switch {
	case pageSize == 0:
		pageSize = defaultPageSize
	case pageSize < 0 || pageSize > maxPageSize:
		return nil, "", refusal.Invalidf("PAGE_SIZE", "page_size", "a page of %d is outside 1 to %d", pageSize, maxPageSize)
	}
	var after []byte
	if token != "" {
		raw, err := base64.RawURLEncoding.DecodeString(token)
		if err != nil || len(raw) != 18 || binary.BigEndian.Uint64(raw) > size {
			return nil, "", refusal.Invalidf("PAGE_TOKEN", "page_token", "this is not a token of a page; take it from the page before, or leave it empty")
		}
		size, after = binary.BigEndian.Uint64(raw), raw[8:]
	}
	wanted, err := parseFilter(t.fields(), filter)
	if err != nil {
		return nil, "", err
	}
	s := &store{pages: pages}
	var things []*pb.Thing
	var last []byte
	looked, more := 0, false
	visit := func(key []byte, value thing) bool {
		if len(things) == pageSize || looked == maxScanned {
			more = true
			return false
		}
		looked++
		last = append(last[:0], key...)
		if value = s.sight(caller, kind, value); value != nil && wanted.pass(value) {
			things = append(things, t.show(value))
		}
		return true
	}
	conditions, none := wanted.narrowed(caller, t)
	switch {
	case none:
	case len(conditions) == 0 || Stale(pages):
		err = t.page(pages, after, size, visit)
	default:
		var stopped []byte
		if stopped, err = t.pageBy(pages, conditions, after, size, visit); stopped != nil {
			last, more = stopped, true
		}
	}
	if err != nil || !more {
		return things, "", err
	}
	return things, base64.RawURLEncoding.EncodeToString(append(binary.BigEndian.AppendUint64(nil, size), last...)), nil
}

// filter is the conditions of a list, all of which a thing must meet.
type filter []fieldCondition

type fieldCondition struct {
	field protoreflect.FieldDescriptor
	value string
}

func (f filter) pass(value thing) bool {
	m := value.ProtoReflect()
	for _, c := range f {
		if !matches(m.Get(c.field), c.field, c.value) {
			return false
		}
	}
	return true
}

// narrowed returns the conditions that lead to the things of a list without a walk past others; none where it is known
// that there are no such things. What they do not say, pass and sight say.
func (f filter) narrowed(caller identity.Caller, t anyTable) (conditions []narrowing, none bool) {
	c, known, none := reader(caller, t)
	if known {
		conditions = append(conditions, c)
	}
	for _, c := range f {
		column := t.column(string(c.field.Name()))
		if column == 0 || c.value == "" {
			continue
		}
		value := c.value
		if c.field.Kind() == protoreflect.EnumKind {
			choice := choiceOf(c.field.Enum(), c.value)
			if choice == nil {
				return nil, true
			}
			value = string(choice.Name())
		}
		conditions = append(conditions, narrowing{column, value})
	}
	return conditions, none
}

// choiceOf returns the choice that a filter writes, with or without its prefix; nil where there is none.
func choiceOf(enum protoreflect.EnumDescriptor, text string) protoreflect.EnumValueDescriptor {
	if choice := enum.Values().ByName(protoreflect.Name(text)); choice != nil {
		return choice
	}
	prefix := strings.TrimSuffix(string(enum.Values().Get(0).Name()), "UNSPECIFIED")
	return enum.Values().ByName(protoreflect.Name(prefix + text))
}

// parseFilter reads `field = "value"` joined by AND. A field is one of text or of choice; a choice is written by its
// name without the prefix (`state = "RECEIVED"`); a list passes if it holds the value.
func parseFilter(fields protoreflect.FieldDescriptors, text string) (filter, error) {
	if len(text) > maxFilter {
		return nil, refusal.Invalidf("FILTER_TOO_LONG", "filter", "a filter of %d characters is longer than the %d allowed", len(text), maxFilter)
	}
	if strings.TrimSpace(text) == "" {
		return nil, nil
	}
	var f filter
	for _, part := range strings.Split(text, " AND ") {
		field, value, ok := strings.Cut(part, "=")
		field, value = strings.TrimSpace(field), strings.TrimSpace(value)
		if !ok || len(value) < 2 || value[0] != '"' || value[len(value)-1] != '"' || field == "" {
			return nil, refusal.Invalidf("FILTER_MALFORMED", "filter", "%q is not a condition; write field = \"value\", joined by AND", clip(part))
		}
		known := fields.ByName(protoreflect.Name(field))
		if known == nil || known.Kind() != protoreflect.StringKind && known.Kind() != protoreflect.EnumKind && known.Kind() != protoreflect.BoolKind {
			return nil, refusal.Invalidf("FILTER_FIELD", "filter", "%q is not a field to filter by; use one of %s", clip(field), strings.Join(filterable(fields), ", "))
		}
		f = append(f, fieldCondition{known, value[1 : len(value)-1]})
	}
	return f, nil
}

// filterable lists the fields of text and of choice.
func filterable(fields protoreflect.FieldDescriptors) (names []string) {
	for i := range fields.Len() {
		switch f := fields.Get(i); f.Kind() {
		case protoreflect.StringKind, protoreflect.EnumKind, protoreflect.BoolKind:
			names = append(names, string(f.Name()))
		}
	}
	return names
}

func matches(v protoreflect.Value, field protoreflect.FieldDescriptor, want string) bool {
	if field.IsList() {
		for i := 0; field.Kind() == protoreflect.StringKind && i < v.List().Len(); i++ {
			if v.List().Get(i).String() == want {
				return true
			}
		}
		return false
	}
	switch field.Kind() {
	case protoreflect.StringKind:
		return v.String() == want
	case protoreflect.BoolKind:
		return v.Bool() == (want == "true")
	case protoreflect.EnumKind:
		choice := choiceOf(field.Enum(), want)
		return choice != nil && choice.Number() == v.Enum()
	}
	return false
}

// MaySeeEntry reports whether a caller may read an entry: their own party's, and those about what they may see.
func MaySeeEntry(pages *ledger.Book, caller identity.Caller, event *pb.Event) bool {
	s := &store{pages: pages}
	note, ok := notes.load(s, event.GetEventId())
	return ok && s.maySee(caller, note, event)
}

// maySee is MaySeeEntry for an entry's note. event is nil where only the note is at hand: then what the event itself says
// beyond its subject is not asked.
func (s *store) maySee(caller identity.Caller, note *pb.EntryNote, event *pb.Event) bool {
	if note.Party == caller.PartyID {
		return true
	}
	title, name := subjectOf(note)
	t := byTitle[title]
	if t == nil {
		return false
	}
	value, ok := t.get(s, name)
	if !ok {
		return false
	}
	if note.Kind == "umpire_appointed" && caller.PartyKind == identity.Laboratory {
		// The appointment is addressed to the umpire, and says no more than which packet of which lot.
		if event != nil {
			return event.GetUmpireAppointed().GetLaboratory() == caller.PartyID
		}
		c, limited := value.(concerned)
		return limited && slices.Contains(c.GetParties(), caller.PartyID)
	}
	if s.sealedFrom(caller, note) {
		return false
	}
	// Whoever may not read an entry may not read what was said about it either: a note or a reason may name its figures.
	for _, id := range []string{event.GetCountersigned().GetEventId(), event.GetSupersedes()} {
		if about, ok := notes.load(s, id); ok && !s.maySee(caller, about, nil) {
			return false
		}
	}
	if event.GetDiscrepancyDecided().GetConceded() != "" && !s.reaches(caller, identity.Money, value) {
		return false // it names a sum of money
	}
	return s.reaches(caller, entrySort(note.Kind, t.kindOf(), value), value)
}

// sealedFrom reports whether an entry is a report, or a correction or withdrawal of one, that is its own party's still.
func (s *store) sealedFrom(caller identity.Caller, note *pb.EntryNote) bool {
	title, name := subjectOf(note)
	if title != samples.title() || note.Party == caller.PartyID {
		return false
	}
	sample, ok := samples.load(s, name)
	return ok && slices.ContainsFunc(sample.Assays, func(a *pb.AssayRecord) bool {
		return a.Sealed && (a.Entry == note.Sequence || a.SupersededBy == note.Sequence)
	})
}

// entrySort says what sort of information an entry is: what it is about, but an assay is an assay whatever it is about.
func entrySort(kind string, about pb.ThingKind, value thing) identity.What {
	switch kind {
	case "assay_reported", "result_committed", "result_revealed", "umpire_reported":
		return identity.Assays
	}
	return sortOf(about, value)
}

// NoteOf returns what the book remembers of an entry, for readers who may see it.
func NoteOf(pages *ledger.Book, eventID string) (*pb.EntryNote, bool) {
	return notes.load(&store{pages: pages}, eventID)
}

// Trace returns the whole route of a bar: its own steps and those of the box it travelled in, in the order of record.
func Trace(pages *ledger.Book, caller identity.Caller, name string) (*pb.TraceBarResponse, error) {
	s := &store{pages: pages}
	value, ok := bars.load(s, name)
	if !ok || s.sight(caller, bars.kind, value) == nil {
		return nil, unknown("bar", "bar", name)
	}
	out := &pb.TraceBarResponse{Bar: value}
	own, boxed := value.Route, []*pb.RouteStep(nil)
	named := value.Discrepancies
	if box, ok := boxes.load(s, value.Box); ok {
		for _, step := range box.Route {
			if step.Action != "packed" && (step.Action != "received" || len(step.Findings) > 0) {
				boxed = append(boxed, step) // the bar's own steps tell those
			}
		}
		named = join(append([]string(nil), named...), box.Discrepancies...)
	}
	for len(own) > 0 || len(boxed) > 0 {
		if len(boxed) == 0 || len(own) > 0 && own[0].Entry <= boxed[0].Entry {
			out.Steps, own = append(out.Steps, own[0]), own[1:]
		} else {
			out.Steps, boxed = append(out.Steps, boxed[0]), boxed[1:]
		}
	}
	for _, d := range named {
		found, ok := discrepancies.load(s, d)
		if ok && s.sight(caller, discrepancies.kind, found) != nil {
			out.Discrepancies = append(out.Discrepancies, found)
		}
	}
	return out, nil
}

// lotSeen returns a lot that the caller may see.
func lotSeen(s *store, caller identity.Caller, name string) (*pb.Lot, error) {
	lot, ok := lots.load(s, name)
	if !ok || s.sight(caller, lots.kind, lot) == nil {
		return nil, unknown("lot", "lot", name)
	}
	return lot, nil
}

// Preview computes the statement of a lot as the book stands, and writes nothing. size is the tree's.
func Preview(pages *ledger.Book, caller identity.Caller, lotName string, kind pb.StatementKind, settledOn string, size uint64) (*pb.Statement, error) {
	s := &store{pages: pages}
	lot, err := lotSeen(s, caller, lotName)
	if err != nil {
		return nil, err
	}
	st, corrects, err := s.compute(lot, kind, settledOn)
	if err != nil {
		return nil, err
	}
	out := statementProto(st, lot, kind, settledOn)
	out.TreeSize, out.Corrects = size, corrects.GetName()
	return out, nil
}

// PreviewFigures computes a statement from figures alone.
func PreviewFigures(figures []byte) (*pb.Statement, error) {
	st, err := settlement.Preview(figures)
	if err != nil {
		return nil, refusal.In(err, "figures_json")
	}
	kind := pb.StatementKind_STATEMENT_KIND_UNSPECIFIED
	for k, name := range statementKinds {
		if name == st.Kind {
			kind = k
		}
	}
	return statementProto(st, &pb.Lot{Name: st.Lot, Seller: st.Terms.Seller, Party: st.Terms.Refiner}, kind, st.ValueDate.String()), nil
}

// Reconcile compares a return with the latest statement of a lot, and writes nothing.
func Reconcile(pages *ledger.Book, caller identity.Caller, lotName, document string) (*pb.ReconcileReturnResponse, error) {
	s := &store{pages: pages}
	lot, err := lotSeen(s, caller, lotName)
	if err != nil {
		return nil, err
	}
	st, r, err := s.reconcile(lot, document)
	if err != nil {
		return nil, err
	}
	return &pb.ReconcileReturnResponse{Statement: st.Name, Reconciliation: reconciliationProto(r)}, nil
}

package book

import (
	"fmt"
	"os"
	"slices"
	"strings"
	"testing"

	"google.golang.org/protobuf/encoding/prototext"
	"google.golang.org/protobuf/reflect/protoreflect"

	"barward/internal/identity"
	"barward/internal/ledger"
	"barward/internal/ledger/ledgertest"
	"barward/internal/refusal"
	pb "barward/proto/barward/v1"
)

// textTable is one of the tables of testdata/roles.txt: a row of cells by name.
type textTable struct {
	columns []string
	rows    map[string][]string
}

func tableNamed(t testing.TB, name string) textTable {
	t.Helper()
	b, err := os.ReadFile("testdata/roles.txt")
	if err != nil {
		t.Fatal(err)
	}
	out := textTable{rows: map[string][]string{}}
	within := false
	for line := range strings.Lines(string(b)) {
		cells := strings.Fields(line)
		switch {
		case len(cells) > 2 && cells[0] == name && out.columns == nil:
			within, out.columns = true, cells[1:]
		case within && len(cells) == 0:
			return out
		case within && len(cells) != len(out.columns)+1:
			t.Fatalf("the row %q has not %d cells", line, len(out.columns))
		case within:
			if out.rows[cells[0]] != nil {
				t.Fatalf("%s is in the table %s twice", cells[0], name)
			}
			out.rows[cells[0]] = cells[1:]
		}
	}
	if out.columns == nil {
		t.Fatalf("there is no table %s", name)
	}
	return out
}

// one of each kind of party, in the order of the first table.
var oneOfEach = []string{"quillmoss", "pebblewing", "thistlequay", "umbercount", "stillwater", "plumbline", "lanternfold"}

var letters = map[byte]pb.Role{'D': admin, 'G': officer, 'W': witness, 'C': custodian, 'R': clerk, 'A': assayer, 'M': manager, 'U': auditor}

// Every role of every kind of party against every kind of event: refused for its role exactly where the table says so.
// The body is empty, so what the role allows is refused for another reason, which shows that the role was asked first.
func TestRoleMatrixOfEvents(t *testing.T) {
	h := staffed(t)
	table := tableNamed(t, "record")
	if len(table.rows) != bodies.Fields().Len() {
		t.Errorf("the table has %d kinds of event, the proto %d", len(table.rows), bodies.Fields().Len())
	}
	cast := h.cast(oneOfEach)
	for i := range bodies.Fields().Len() {
		field := bodies.Fields().Get(i)
		cells := table.rows[string(field.Name())]
		if cells == nil {
			t.Errorf("the table does not know %s", field.Name())
			continue
		}
		for column, party := range oneOfEach {
			for letter, role := range letters {
				event := &pb.Event{EventId: ledgertest.ID(1 << 20).String(), AuthorKey: cast[party][role].public(), OccurredAt: "2027-02-01T08:00:00-05:00"}
				event.ProtoReflect().Set(field, protoreflect.ValueOfMessage(event.ProtoReflect().NewField(field).Message()))
				var err error
				h.view(func(b *ledger.Book) {
					err = New().Decide(b, &ledger.Entry{Seq: h.l.Size(), RecordedAt: h.now, Rules: Rules, Author: event.AuthorKey, Memo: event})
				})
				refused := refusal.Is(err, "ROLE_DOES_NOT_ALLOW") && refusal.As(err).Kind == refusal.Forbidden
				if allowed := strings.IndexByte(cells[column], letter) >= 0; allowed == refused || err == nil {
					t.Errorf("%v of %s records %s: %v; the table says %v", role, party, field.Name(), err, allowed)
				}
			}
		}
	}
}

// cast enrols a person of each role at each of some parties.
func (h *house) cast(parties []string) map[string]map[pb.Role]*person {
	h.Helper()
	administrators := map[string]string{"quillmoss": "wren", "gorsefell": "gale", "pebblewing": "hob", "saltferry": "marjory", "thistlequay": "auberon",
		"rushbeck": "rook", "umbercount": "umbra", "stillwater": "vera", "plumbline": "quentin", "lanternfold": "odo"}
	cast := map[string]map[pb.Role]*person{}
	for _, party := range parties {
		cast[party] = map[pb.Role]*person{}
		for letter, role := range letters {
			name := fmt.Sprintf("%s-%c", party, letter+'a'-'A')
			if h.people[name] == nil {
				h.enrol(administrators[party], name, party, role)
			}
			cast[party][role] = h.people[name]
		}
	}
	return cast
}

// viewpoints are the columns of the second and third table.
var viewpoints = []struct{ party, at string }{
	{"quillmoss", "2027-03-02T00:00:00Z"}, {"thistlequay", "2027-03-02T00:00:00Z"}, {"pebblewing", "2027-03-02T00:00:00Z"},
	{"umbercount", "2027-03-02T00:00:00Z"}, {"plumbline", "2027-03-02T00:00:00Z"}, {"plumbline", "2027-04-01T00:00:00Z"},
	{"saltferry", "2027-03-02T00:00:00Z"}, {"stillwater", "2027-03-02T00:00:00Z"}, {"lanternfold", "2027-03-02T00:00:00Z"},
	{"gorsefell", "2027-03-02T00:00:00Z"}, {"rushbeck", "2027-03-02T00:00:00Z"},
}

// Every role of every viewpoint against every read: shown where the table says so, and else answered to the letter as what
// is not there. What a list shows is what can be got one by one.
func TestRoleMatrixOfReads(t *testing.T) {
	r, first := everything(t)
	things, entries := tableNamed(t, "read"), tableNamed(t, "entry")
	if want := len(byKind) + 6; len(things.rows) != want || len(entries.rows) != len(kinds) {
		t.Errorf("the tables have %d reads and %d entries, want %d and %d", len(things.rows), len(entries.rows), want, len(kinds))
	}
	names := r.oneOfEachKind(t)
	all := map[pb.ThingKind][]string{} // every name there is
	r.view(func(b *ledger.Book) {
		for kind, table := range byKind {
			if err := table.page(b, nil, ^uint64(0), func(_ []byte, value thing) bool { all[kind] = append(all[kind], value.GetName()); return true }); err != nil {
				t.Fatal(err)
			}
		}
	})
	var parties []string
	for _, v := range viewpoints {
		parties = append(parties, v.party)
	}
	cast := r.cast(parties)
	for column, v := range viewpoints {
		for _, role := range letters {
			r.people["reader"] = cast[v.party][role]
			c := r.callerAt("reader", v.at)
			who := fmt.Sprintf("%v of %s at %s", role, v.party, v.at)
			check := func(what, read string, shown bool) {
				t.Helper()
				cells := things.rows[read]
				if cells == nil {
					cells = entries.rows[read]
				}
				if cells == nil {
					t.Fatalf("no table knows %s", read)
				}
				if shown != (cells[column] == "x") {
					t.Errorf("%s %s %s: %v; the table says %s", who, what, read, shown, cells[column])
				}
			}
			r.view(func(b *ledger.Book) {
				for kind, name := range names {
					title := strings.TrimPrefix(kind.String(), "THING_KIND_")
					_, err := Get(b, c, kind, name)
					check("gets", title, err == nil)
					if err != nil {
						alike(t, who, err, name, func(name string) error { _, err := Get(b, c, kind, name); return err })
					}
					listed := listAll(t, b, c, kind, r.l.Size())
					check("lists", title, slices.Contains(listed, name))
					for _, n := range all[kind] {
						if _, err := Get(b, c, kind, n); (err == nil) != slices.Contains(listed, n) {
							t.Errorf("%s: %v %s is got with %v, and listed: %v", who, kind, n, err, slices.Contains(listed, n))
						}
					}
				}
				for read, call := range map[string]func(name string) error{
					"trace": func(name string) error { _, err := Trace(b, c, name); return err },
					"preview": func(name string) error {
						_, err := Preview(b, c, name, pb.StatementKind_STATEMENT_KIND_CORRECTED, "2027-03-13", 1)
						return err
					},
					"reconcile":      func(name string) error { _, err := Reconcile(b, c, name, "{}"); return err },
					"advise":         func(name string) error { _, err := AdviseUmpire(b, c, name, "Au", []byte("{}")); return err },
					"recompute":      func(name string) error { _, err := ReportOf(b, c, name); return err },
					"balance_status": func(name string) error { _, err := BalanceStatus(b, c, name, v.at); return err },
				} {
					name := map[string]string{"trace": r.mark(0), "recompute": "quillmoss/E1", "balance_status": "quillmoss/QB1"}[read]
					if name == "" {
						name = r.lotName()
					}
					err := call(name)
					check("asks for", read, !refusal.Is(err, "NAME_UNKNOWN"))
					if refusal.Is(err, "NAME_UNKNOWN") {
						alike(t, who, err, name, call)
					}
				}
				for kind, seq := range first {
					check("reads the entry", kind, MaySeeEntry(b, c, r.sent[seq]))
				}
			})
		}
	}
}

// alike demands that the refusal of a forbidden name says the same as that of one that nobody has.
func alike(t *testing.T, who string, forbidden error, name string, call func(string) error) {
	t.Helper()
	nobodys := strings.Repeat("z", len(name))
	unheard := call(nobodys)
	if unheard == nil {
		t.Errorf("%s: %s is answered", who, nobodys)
		return
	}
	a, b := refusal.As(forbidden), refusal.As(unheard)
	text := func(r *refusal.Error, name string) string {
		return strings.ReplaceAll(fmt.Sprint(r.Kind, r.Reason, r.Field, r.Subject, r.Values, r.Error()), name, "")
	}
	if text(a, name) != text(b, nobodys) {
		t.Errorf("%s: forbidden answers %q, unknown %q", who, forbidden, unheard)
	}
}

func listAll(t *testing.T, b *ledger.Book, c identity.Caller, kind pb.ThingKind, size uint64) (names []string) {
	t.Helper()
	for token := ""; ; {
		things, next, err := List(b, c, kind, "", token, 7, size)
		if err != nil {
			t.Fatal(err)
		}
		for _, thing := range things {
			names = append(names, nameOf(thing))
		}
		if token = next; token == "" {
			return names
		}
	}
}

// nameOf is the name of whatever a thing holds.
func nameOf(thing *pb.Thing) string {
	m := thing.ProtoReflect()
	field := m.WhichOneof(m.Descriptor().Oneofs().Get(0))
	return m.Get(field).Message().Interface().(interface{ GetName() string }).GetName()
}

// oneOfEachKind names a thing of each kind on the way of a lot.
func (r *route) oneOfEachKind(t *testing.T) map[pb.ThingKind]string {
	name := map[pb.ThingKind]string{
		pb.ThingKind_THING_KIND_PARTY: "quillmoss", pb.ThingKind_THING_KIND_PERSON: "quillmoss/ibbet", pb.ThingKind_THING_KIND_BALANCE: "quillmoss/QB1",
		pb.ThingKind_THING_KIND_HOLIDAY_CALENDAR: "Lanternfold", pb.ThingKind_THING_KIND_PRICE_SERIES: "gold (invented)", pb.ThingKind_THING_KIND_AGREEMENT: r.agreement,
		pb.ThingKind_THING_KIND_POUR: "quillmoss/E1", pb.ThingKind_THING_KIND_BAR: r.mark(0), pb.ThingKind_THING_KIND_SAMPLE: "quillmoss/E1",
		pb.ThingKind_THING_KIND_BOX: r.box(0), pb.ThingKind_THING_KIND_CONSIGNMENT: r.consignment(), pb.ThingKind_THING_KIND_LOT: r.lotName(),
		pb.ThingKind_THING_KIND_STATEMENT: "quillmoss/ST", pb.ThingKind_THING_KIND_RETURN: "quillmoss/RT",
		pb.ThingKind_THING_KIND_GRANT: "quillmoss/G1", pb.ThingKind_THING_KIND_COSIGNATURE: "thistlequay",
	}
	r.view(func(b *ledger.Book) {
		err := corrections.each(b, func(c *pb.Correction) error { name[pb.ThingKind_THING_KIND_CORRECTION] = c.Name; return nil })
		if err == nil {
			err = discrepancies.each(b, func(d *pb.Discrepancy) error {
				if d.Kind == assaySplit {
					name[pb.ThingKind_THING_KIND_DISCREPANCY] = d.Name
				}
				return nil
			})
		}
		if err != nil {
			t.Fatal(err)
		}
	})
	if len(name) != len(byKind) {
		t.Errorf("%d kinds of thing are read, the book has %d", len(name), len(byKind))
	}
	return name
}

// all that a caller can make the book say, in one text: every list, thing, trace, entry, receipt, sum, report, preview,
// advice and error.
func (h *house) allSaidTo(c identity.Caller, at string) string {
	h.Helper()
	var said strings.Builder
	say := func(what ...any) { fmt.Fprintln(&said, what...) }
	show := prototext.MarshalOptions{}
	h.view(func(b *ledger.Book) {
		names := map[pb.ThingKind][]string{}
		for kind, table := range byKind {
			_ = table.page(b, nil, ^uint64(0), func(_ []byte, value thing) bool { names[kind] = append(names[kind], value.GetName()); return true })
			things, _, err := List(b, c, kind, "", "", maxPageSize, h.l.Size())
			say(err)
			for _, thing := range things {
				say(kind, show.Format(thing))
			}
			for _, name := range names[kind] {
				thing, err := Get(b, c, kind, name)
				say(kind, name, show.Format(thing), err)
			}
		}
		for _, bar := range names[bars.kind] {
			trace, err := Trace(b, c, bar)
			say("trace", show.Format(trace), err)
		}
		for _, balance := range names[balances.kind] {
			status, err := BalanceStatus(b, c, balance, at)
			say("balance", show.Format(status), err)
		}
		for _, sample := range names[samples.kind] {
			known, _ := samples.load(&store{pages: b}, sample)
			for _, a := range known.Assays {
				report, err := ReportOf(b, c, a.Report)
				say("report", show.Format(report), err)
			}
		}
		for _, lot := range names[lots.kind] {
			for kind := range statementKinds {
				st, err := Preview(b, c, lot, kind, "2027-03-13", h.l.Size())
				say("preview", show.Format(st), err)
			}
			for _, element := range []string{"Au", "Ag"} {
				advice, err := AdviseUmpire(b, c, lot, element, []byte(`{"seller_lab": {"sigma": "1", "bias": "0"}, "refiner_lab": {"sigma": "1", "bias": "0"}, "umpire_lab": {"sigma": "1", "bias": "0"}, "fee": "1.00 USD"}`))
				say("advice", show.Format(advice), err)
			}
			r, err := Reconcile(b, c, lot, "code,element,name,unit,quantity,quantity_unit,rate,rate_unit,amount\nnet,,,,,,,,1.00 USD\n")
			say("reconcile", show.Format(r), err)
		}
		sums, err := Summarize(b, c, "", h.l.Size())
		say("sums", show.Format(sums), err)
		for of := range pb.BiasOf_name {
			for _, laboratory := range []string{"", "thistlequay", "quillmoss", "umbercount"} {
				ask := &pb.ReportBiasRequest{Of: pb.BiasOf(of), Element: "Au", Laboratory: laboratory, SettingsJson: biasSettings}
				if pb.BiasOf(of) == pb.BiasOf_BIAS_OF_ARRIVAL_WEIGHT {
					ask.Element = ""
				}
				series, err := Bias(b, c, ask)
				say("bias", series.Points, err)
				if len(series.Points) > 0 {
					report, err := series.Report()
					say("bias", show.Format(report), err)
				}
			}
		}
		for seq := range h.l.Size() {
			for _, d := range Raised(b, c, seq) {
				say("receipt", show.Format(d))
			}
			say(Remarks(b, c, seq))
			if e := h.sent[seq]; MaySeeEntry(b, c, e) {
				say("entry", show.Format(e))
			}
		}
	})
	return said.String()
}

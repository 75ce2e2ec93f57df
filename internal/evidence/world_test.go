package evidence

import (
	"bytes"
	"crypto/rand"
	"crypto/sha256"
	"encoding/csv"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"golang.org/x/mod/sumdb/tlog"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"

	"barward/internal/assay"
	"barward/internal/identity"
	"barward/internal/ledger/proof"
	"barward/internal/quantity"
	"barward/internal/refusal"
	"barward/internal/settlement"
	pb "barward/proto/barward/v1"
)

// Everything here is invented: the parties, the people, the prices and every figure.

// world is a log that takes whatever is signed, with its tree from a library that is not ours.
type world struct {
	testing.TB
	signer    proof.Signer
	logKey    string
	hashes    []tlog.Hash
	entries   []Entry // without paths
	events    []*pb.Event
	now       string
	keys      map[string]identity.Key
	documents []Statement
	judge     func(proof.Signed) // of what is put on record; nil: everything is taken
}

const worldOrigin = "log.invalid/dore"

// empty is a log with its founder.
func empty(t testing.TB) *world {
	t.Helper()
	w := &world{TB: t, now: "2025-02-24T09:00:00+00:00", keys: map[string]identity.Key{}}
	w.found()
	return w
}

// found makes the log's key and its first two entries.
func (w *world) found() {
	w.Helper()
	private, public, err := proof.GenerateKey(rand.Reader, worldOrigin)
	if err != nil {
		w.Fatal(err)
	}
	if w.signer, _, err = proof.NewSigner(private); err != nil {
		w.Fatal(err)
	}
	w.logKey = public
	w.record("lanternfold/odo", &pb.PartyRegistered{PartyId: "lanternfold", DisplayName: "Lanternfold",
		Kind: pb.PartyKind_PARTY_KIND_OPERATOR})
	w.enrol("lanternfold/odo", "lanternfold/odo", pb.Role_ROLE_ADMINISTRATOR)
}

// key is a person's key, made of their name and how many they had before.
func (w *world) key(name string) identity.Key {
	w.Helper()
	if k, ok := w.keys[name]; ok {
		return k
	}
	seed := sha256.Sum256([]byte("evidence test: " + name))
	k, err := identity.NewKey(bytes.NewReader(seed[:]))
	if err != nil {
		w.Fatal(err)
	}
	w.keys[name] = k
	return k
}

// event puts a body into an event of its author.
func (w *world) event(author string, body proto.Message) *pb.Event {
	w.Helper()
	event := &pb.Event{
		EventId:   fmt.Sprintf("01954bc8-1000-7000-8000-%012x", len(w.entries)),
		AuthorKey: w.key(author).Public(), OccurredAt: w.now,
	}
	fields := event.ProtoReflect().Descriptor().Oneofs().ByName("body").Fields()
	for i := range fields.Len() {
		if f := fields.Get(i); f.Message() == body.ProtoReflect().Descriptor() {
			event.ProtoReflect().Set(f, protoreflect.ValueOfMessage(body.ProtoReflect()))
			return event
		}
	}
	w.Fatalf("%T is no body of an event", body)
	return nil
}

// record has an author sign a body and puts it on record; it returns the sequence number.
func (w *world) record(author string, body proto.Message) uint64 {
	w.Helper()
	return w.put(author, w.event(author, body))
}

func (w *world) put(author string, event *pb.Event) uint64 {
	w.Helper()
	encoded, err := proto.Marshal(event)
	if err != nil {
		w.Fatal(err)
	}
	signed := proof.Sign(w.key(author).Private(), encoded)
	if w.judge != nil {
		w.judge(signed)
	}
	at, err := time.Parse(time.RFC3339, event.OccurredAt)
	if err != nil {
		w.Fatal(err)
	}
	leaf, err := proof.Leaf{Rules: 1, RecordedAt: at.UTC().Add(time.Second), Signed: proof.Sign(w.key(author).Private(),
		encoded)}.Marshal()
	if err != nil {
		w.Fatal(err)
	}
	n := uint64(len(w.entries))
	more, err := tlog.StoredHashes(int64(n), leaf, w.reader())
	if err != nil {
		w.Fatal(err)
	}
	w.hashes = append(w.hashes, more...)
	w.entries = append(w.entries, Entry{Sequence: n, Leaf: leaf})
	w.events = append(w.events, event)
	return n
}

func (w *world) reader() tlog.HashReader {
	return tlog.HashReaderFunc(func(at []int64) (out []tlog.Hash, _ error) {
		for _, i := range at {
			out = append(out, w.hashes[i])
		}
		return out, nil
	})
}

func (w *world) enrol(author, name string, roles ...pb.Role) uint64 {
	w.Helper()
	party, id, _ := strings.Cut(name, "/")
	return w.record(author, &pb.PersonEnrolled{PersonId: id, PartyId: party, DisplayName: id,
		PublicKey: w.key(name).Public(), Roles: roles})
}

func (w *world) countersign(author string, n uint64) uint64 {
	w.Helper()
	leaf, err := proof.ParseLeaf(w.entries[n].Leaf)
	if err != nil {
		w.Fatal(err)
	}
	sum := sha256.Sum256(leaf.Event)
	return w.record(author, &pb.Countersigned{EventId: w.events[n].EventId, EventSha256: sum[:]})
}

// checkpoint is the log's own, of a size.
func (w *world) checkpoint(size uint64) (proof.Checkpoint, []byte) {
	w.Helper()
	root, err := tlog.TreeHash(int64(size), w.reader())
	if err != nil {
		w.Fatal(err)
	}
	c := proof.Checkpoint{Origin: w.signer.Name(), Size: size, Root: root}
	note, err := proof.SignCheckpoint(c, w.signer)
	if err != nil {
		w.Fatal(err)
	}
	return c, note
}

// cosigned is a checkpoint with the line of a person.
func (w *world) cosigned(note []byte, name string) []byte {
	w.Helper()
	body, _, err := proof.SplitNote(note)
	if err != nil {
		w.Fatal(err)
	}
	c, err := proof.Cosign(body, name, w.key(name).Private(), time.Date(2025, 4, 5, 9, 0, 0, 0, time.UTC))
	if err != nil {
		w.Fatal(err)
	}
	return append(bytes.Clone(note), c.Line()...)
}

func (w *world) paths(size uint64) []Entry {
	w.Helper()
	entries := slices.Clone(w.entries[:size])
	for i := range entries {
		path, err := tlog.ProveRecord(int64(size), int64(i), w.reader())
		if err != nil {
			w.Fatal(err)
		}
		entries[i].Path = path
	}
	return entries
}

// pack is everything on record, exported by a person.
func (w *world) pack(about What, exporter string) Pack {
	w.Helper()
	size := uint64(len(w.entries))
	_, note := w.checkpoint(size)
	return Pack{About: about, Exported: time.Date(2025, 4, 5, 10, 0, 0, 0, time.UTC), Exporter: exporter,
		Key:    w.key(exporter).ID(),
		LogKey: w.logKey, Checkpoint: w.cosigned(note, exporter), Entries: w.paths(size),
		Statements: slices.Clone(w.documents)}
}

func (w *world) write(p Pack) []byte {
	w.Helper()
	file, err := Write(p, w.key(p.Exporter))
	if err != nil {
		w.Fatal(err)
	}
	return file
}

func (w *world) read(file []byte) Pack {
	w.Helper()
	p, err := Read(file)
	if err != nil {
		w.Fatal(err)
	}
	return p
}

// sound fails unless the pack has no finding, and returns the report.
func (w *world) sound(p Pack) Report {
	w.Helper()
	r := Verify(w.read(w.write(p)), w.logKey)
	if !r.Sound() {
		w.Fatalf("%v", r.Findings)
	}
	return r
}

// reseal puts changed members into a pack as its exporter could: the manifest lists them as they are, and is signed.
func (w *world) reseal(file []byte, exporter string, change func(members []member) []member) []byte {
	w.Helper()
	members, err := unpack(file)
	if err != nil {
		w.Fatal(err)
	}
	p := w.read(file)
	members = slices.DeleteFunc(members, func(m member) bool { return m.name == manifestName || m.name == signatureName })
	members = change(members)
	sortMembers(members)
	out, err := seal(p.header(), members, w.key(exporter))
	if err != nil {
		w.Fatal(err)
	}
	return out
}

// with changes one member.
func with(name string, change func([]byte) []byte) func([]member) []member {
	return func(members []member) []member {
		for i := range members {
			if members[i].name == name {
				members[i].data = change(bytes.Clone(members[i].data))
			}
		}
		return members
	}
}

func without(names ...string) func([]member) []member {
	return func(members []member) []member {
		return slices.DeleteFunc(members, func(m member) bool { return slices.Contains(names, m.name) })
	}
}

// wantFinding fails unless reading or verifying the file finds what it should.
func (w *world) wantFinding(file []byte, reasons ...string) {
	w.Helper()
	p, err := Read(file)
	if err != nil {
		if r := refusal.As(err); r == nil || !slices.Contains(reasons, r.Reason) {
			w.Fatalf("reading says %v, want %v", err, reasons)
		}
		return
	}
	var found []string
	for _, f := range Verify(p, w.logKey).Findings {
		found = append(found, f.Reason)
		if len(f.Text) < 20 {
			w.Errorf("%s says only %q", f.Reason, f.Text)
		}
	}
	for _, reason := range reasons {
		if !slices.Contains(found, reason) {
			w.Fatalf("found %v, want %s", found, reason)
		}
	}
}

// gold is a log with a mine that poured one bar: the smallest that a pack can be about.
func gold(t testing.TB) *world {
	w := empty(t)
	w.record("lanternfold/odo", &pb.PartyRegistered{PartyId: "quillmoss", DisplayName: "Quillmoss",
		Kind: pb.PartyKind_PARTY_KIND_MINE})
	w.enrol("lanternfold/odo", "quillmoss/wren", pb.Role_ROLE_ADMINISTRATOR)
	w.enrol("quillmoss/wren", "quillmoss/ibbet", pb.Role_ROLE_GOLD_ROOM_OFFICER)
	w.record("quillmoss/ibbet", &pb.PourRecorded{PourId: "P-1", Balance: "quillmoss/QB1",
		Bars: []*pb.PouredBar{{Mark: "QM-1", Readings: []string{"19832.4 g", "19832.6 g"}}}})
	return w
}

var goldBar = What{Bar, "quillmoss/QM-1"}

// settled is a log in which a lot of one bar went the whole way, under the agreement of testdata/demo with its prices.
// The melt, the assays and the umpire are those of its lot L-2, so the net sums are those worked out by hand in the
// test of the demonstration.
func settled(t testing.TB) *world {
	w, melt := exchanged(t)
	w.now = "2025-04-03T10:00:00+00:00"
	w.countersign("thistlequay/fennimore", w.issue("ST-1", pb.StatementKind_STATEMENT_KIND_FINAL))
	w.now = "2025-04-04T08:30:00+00:00"
	right := w.event("thistlequay/dilly", &pb.Corrected{Reason: "the ticket says 99091 g",
		Replacement: &pb.Corrected_Melted{Melted: &pb.Melted{
			Lot: "thistlequay/L-1", Balance: "thistlequay/TB1", Before: "99124 g", After: "99091 g", Slag: "12 g"}}})
	right.Supersedes = w.events[melt].EventId
	w.countersign("quillmoss/lucan", w.put("thistlequay/dilly", right))
	w.now = "2025-04-04T09:00:00+00:00"
	w.countersign("thistlequay/fennimore", w.issue("ST-1C", pb.StatementKind_STATEMENT_KIND_CORRECTED))
	return w
}

// exchanged is that log before its first statement; melt is the entry of the melt.
func exchanged(t testing.TB) (w *world, melt uint64) {
	w = empty(t)
	w.people()
	w.agree(func(terms string) string { return terms })
	w.now = "2025-03-05T10:00:00-04:00"
	w.pour("QM-1", "99124.5 g")
	w.ship("QM-1")
	w.now = "2025-03-10T17:05:00+00:00"
	w.receive("QM-1", "99124.4 g") // what the five bars of the demonstration's lot L-2 weighed together
	w.now = "2025-03-11T08:00:00+00:00"
	w.record("thistlequay/dilly", &pb.LotOpened{LotId: "L-1", Agreement: "quillmoss/TQ-2025-04",
		Bars: []string{"quillmoss/QM-1"}})
	w.now = "2025-03-12T17:10:00+00:00"
	melt = w.record("thistlequay/dilly", &pb.Melted{Lot: "thistlequay/L-1", Balance: "thistlequay/TB1", Before: "99124 g",
		After: "99095 g", Slag: "12 g"})
	w.now = "2025-03-20T10:00:00+00:00"
	w.exchange("quillmoss/perpetua", assay.Seller, "thistlequay/ansel", assay.Refiner, func() {})
	w.now = "2025-03-21T09:00:00+00:00"
	w.record("thistlequay/fennimore", &pb.UmpireAppointed{Lot: "thistlequay/L-1", Elements: []string{"Ag"},
		Laboratory: "umbercount", PacketSeal: "QS-2"})
	w.now = "2025-03-27T15:00:00+00:00"
	w.record("umbercount/umbra", &pb.UmpireReported{Lot: "thistlequay/L-1", PacketSeal: "QS-2", Fee: "640.00 USD",
		Results: []*pb.AssayResult{{Element: "Ag", Fineness: "146.80 ppt"}}})
	return w, melt
}

// people registers the parties, their people and two balances.
func (w *world) people() {
	w.Helper()
	for _, p := range []struct {
		party, admin, site string
		kind               pb.PartyKind
		roles              []pb.Role
	}{
		{"quillmoss", "wren", "terrace", pb.PartyKind_PARTY_KIND_MINE, nil},
		{"thistlequay", "auberon", "quay", pb.PartyKind_PARTY_KIND_REFINERY, nil},
		{"umbercount", "umbra", "bench", pb.PartyKind_PARTY_KIND_LABORATORY, []pb.Role{pb.Role_ROLE_ASSAYER}},
	} {
		w.record("lanternfold/odo", &pb.PartyRegistered{PartyId: p.party, DisplayName: p.party, Kind: p.kind,
			Sites: []*pb.Site{{SiteId: p.site, DisplayName: p.site, ElevationM: "100"}}})
		w.enrol("lanternfold/odo", p.party+"/"+p.admin, append(p.roles, pb.Role_ROLE_ADMINISTRATOR)...)
	}
	for _, p := range []struct {
		admin, name string
		role        pb.Role
	}{
		{"quillmoss/wren", "quillmoss/ibbet", pb.Role_ROLE_GOLD_ROOM_OFFICER},
		{"quillmoss/wren", "quillmoss/lucan", pb.Role_ROLE_COMMERCIAL_MANAGER},
		{"quillmoss/wren", "quillmoss/perpetua", pb.Role_ROLE_ASSAYER},
		{"thistlequay/auberon", "thistlequay/dilly", pb.Role_ROLE_RECEIVING_CLERK},
		{"thistlequay/auberon", "thistlequay/ansel", pb.Role_ROLE_ASSAYER},
		{"thistlequay/auberon", "thistlequay/fennimore", pb.Role_ROLE_COMMERCIAL_MANAGER},
	} {
		w.enrol(p.admin, p.name, p.role)
	}
	w.balance("quillmoss/wren", &pb.BalanceRegistered{BalanceId: "QB1", Site: "quillmoss/terrace"})
	w.balance("thistlequay/auberon", &pb.BalanceRegistered{BalanceId: "TB1", Site: "thistlequay/quay"})
}

func (w *world) balance(author string, b *pb.BalanceRegistered) {
	w.Helper()
	b.AccuracyClass, b.Capacity, b.Readability, b.VerificationInterval = "I", "120000 g", "0.1 g", "1 g"
	b.Repeatability, b.CheckEveryDays = "0.2 g", 7
	w.record(author, b)
}

// agree signs the agreement of testdata/demo, changed, and publishes its prices and holidays.
func (w *world) agree(change func(string) string) {
	w.Helper()
	demo := filepath.Join("..", "..", "testdata", "demo")
	terms, err := os.ReadFile(filepath.Join(demo, "agreement.json"))
	if err != nil {
		w.Fatal(err)
	}
	w.countersign("thistlequay/fennimore", w.record("quillmoss/lucan",
		&pb.AgreementSigned{AgreementId: "TQ-2025-04", TermsJson: change(string(terms))}))
	w.record("thistlequay/fennimore", &pb.HolidaysPublished{Calendar: "Lanternfold", Dates: column(w,
		filepath.Join(demo, "holidays.csv"), 0)})
	for _, half := range []string{"1", "2"} {
		for _, metal := range []string{"gold", "silver"} {
			path := filepath.Join(demo, "prices-"+metal+"-"+half+".csv")
			published := &pb.PricesPublished{Series: "Lanternfold " + metal + " (invented)", Currency: "USD"}
			prices := column(w, path, 1)
			for i, date := range column(w, path, 0) {
				published.Prices = append(published.Prices, &pb.DailyPrice{Date: date, Price: prices[i]})
			}
			w.record("quillmoss/lucan", published)
		}
	}
}

// pour pours bars: mark and reading, mark and reading.
func (w *world) pour(marked ...string) {
	w.Helper()
	pour := &pb.PourRecorded{PourId: "P-1", Balance: "quillmoss/QB1"}
	for i := 0; i < len(marked); i += 2 {
		pour.Bars = append(pour.Bars, &pb.PouredBar{Mark: marked[i], Readings: []string{marked[i+1], marked[i+1]}})
	}
	w.record("quillmoss/ibbet", pour)
}

// ship packs bars into one box and advises it.
func (w *world) ship(marks ...string) {
	w.Helper()
	box := &pb.BoxPacked{BoxId: "B-1", Seals: []string{"QS-1"}}
	for _, m := range marks {
		box.Bars = append(box.Bars, "quillmoss/"+m)
	}
	w.record("quillmoss/ibbet", box)
	w.record("quillmoss/ibbet", &pb.ConsignmentAdvised{ConsignmentId: "C-1", Agreement: "quillmoss/TQ-2025-04",
		Boxes: []string{"quillmoss/B-1"}})
}

func (w *world) receipt(mark, reading string) *pb.BarReceived {
	return &pb.BarReceived{Consignment: "quillmoss/C-1", Box: "quillmoss/B-1", Bar: "quillmoss/" + mark,
		Balance: "thistlequay/TB1", Readings: []string{reading, reading}}
}

func (w *world) receive(mark, reading string) uint64 {
	w.Helper()
	return w.record("thistlequay/dilly", w.receipt(mark, reading))
}

var settledLot = What{Lot, "thistlequay/L-1"}

// exchange commits and reveals the results of both sides; gold agrees and silver differs beyond its limit. In between
// the seller reveals what they did not commit, which counts for nothing.
func (w *world) exchange(seller string, s assay.Side, refiner string, r assay.Side, after func()) {
	w.Helper()
	type side struct {
		author string
		side   assay.Side
		au, ag string
	}
	sides := []side{{seller, s, "813.90 ppt", "148.20 ppt"}, {refiner, r, "813.62 ppt", "145.70 ppt"}}
	for _, x := range sides {
		results := []assay.Result{{Element: "Au", Fineness: fineness(w, x.au)}, {Element: "Ag", Fineness: fineness(w, x.ag)}}
		commitment := assay.Commit("thistlequay/L-1", x.side, 1, results, nonce(x.side))
		w.record(x.author, &pb.ResultCommitted{Lot: "thistlequay/L-1", Round: 1, Elements: []string{"Au", "Ag"},
			Commitment: commitment[:]})
		after()
	}
	reveal := func(x side, au string) {
		n := nonce(x.side)
		w.record(x.author, &pb.ResultRevealed{Lot: "thistlequay/L-1", Round: 1, Nonce: n[:],
			Results: []*pb.AssayResult{{Element: "Au", Fineness: au}, {Element: "Ag", Fineness: x.ag}}})
		after()
	}
	reveal(sides[0], "815.00 ppt")
	for _, x := range sides {
		reveal(x, x.au)
	}
}

func nonce(side assay.Side) [32]byte {
	return sha256.Sum256([]byte("an invented nonce of the " + side))
}

func fineness(t testing.TB, text string) quantity.Fineness {
	t.Helper()
	f, err := quantity.ParseFineness(text)
	if err != nil {
		t.Fatal(err)
	}
	return f
}

// issue issues the statement that the entries come to. Its figures are held against those by hand elsewhere.
func (w *world) issue(number string, kind pb.StatementKind) uint64 {
	w.Helper()
	issued := &pb.StatementIssued{StatementId: number, Lot: "thistlequay/L-1", Kind: kind, SettledOn: "2025-04-04",
		Reason: "a weight was corrected"}
	st := w.compute(issued)
	issued.Digest = st.Digest()
	n := w.record("quillmoss/lucan", issued)
	w.documents = append(w.documents, Statement{n, st.JSON()})
	return n
}

func (w *world) compute(issued *pb.StatementIssued) settlement.Statement {
	w.Helper()
	st, err := w.try(issued)
	if err != nil {
		w.Fatal(err)
	}
	return st
}

// try computes a statement from all entries so far.
func (w *world) try(issued *pb.StatementIssued) (settlement.Statement, error) {
	w.Helper()
	p := Pack{Entries: w.entries}
	records, bad := p.records()
	if len(bad) > 0 {
		w.Fatal(bad)
	}
	if who := register(records); len(who.findings) > 0 {
		w.Fatal(who.findings)
	}
	a := newAccount()
	for _, r := range records {
		if before := r.event.GetStatementIssued(); before != nil {
			if _, err := a.state(r, before); err != nil {
				w.Fatal(err)
			}
		}
		a.read(r)
	}
	return a.state(&record{sequence: uint64(len(records)), event: &pb.Event{}}, issued)
}

// column reads a column of a table below its heading.
func column(t testing.TB, path string, n int) (cells []string) {
	t.Helper()
	file, err := os.Open(path)
	if err != nil {
		t.Fatal(err)
	}
	defer file.Close()
	rows, err := csv.NewReader(file).ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	for _, row := range rows[1:] {
		cells = append(cells, row[n])
	}
	return cells
}

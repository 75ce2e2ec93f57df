package evidence

import (
	"context"
	"crypto/ed25519"
	"encoding/json"
	"slices"
	"strings"
	"time"

	"barward/internal/identity"
	"barward/internal/ledger/proof"
	"barward/internal/refusal"
	"barward/internal/settlement"
	pb "barward/proto/barward/v1"
)

// Source is where a pack is gathered from: a client that checks what it is answered. Errors are the client's, but what
// is unknown or not to be seen must be a *refusal.Error of kind NotFound.
type Source interface {
	Get(ctx context.Context, kind pb.ThingKind, name string) (*pb.Thing, error)
	Walk(ctx context.Context, kind pb.ThingKind, filter string, more func(*pb.Thing) bool) error
	Trace(ctx context.Context, bar string) (*pb.TraceBarResponse, error)
	// Entry returns an entry whose author's signature was checked.
	Entry(ctx context.Context, sequence uint64) (*pb.Entry, error)
	// Entries visits the entries of a kind that may be seen, in order.
	Entries(ctx context.Context, kind string, more func(*pb.Entry) bool) error
	// Checkpoint returns the newest signed checkpoint, which was shown to continue every one seen before, and the log's
	// key.
	Checkpoint(ctx context.Context) (note []byte, logKey string, err error)
	ProveInclusion(ctx context.Context, sequence, size uint64) ([]proof.Hash, error)
	ProveConsistency(ctx context.Context, old, size uint64) ([]proof.Hash, error)
}

// Gather puts together the pack about a thing, as far as the exporter's party may read: the entries that tell of it, of
// what it came from and of what its figures rest on, and the whole chain by which each author is vouched for. The
// exporter (`party/person`, with their key) cosigns the checkpoint that the source has verified.
//
// What is left out on purpose: entries about other bars and lots, and the operator's.
//
// Reasons: EVIDENCE_ABOUT, EVIDENCE_TOO_LARGE, those of the source, and of proof.Cosign.
func Gather(ctx context.Context, s Source, about What, exporter string, key identity.Key, now time.Time) (Pack, error) {
	p := Pack{About: about, Exported: now.UTC().Truncate(time.Second), Exporter: exporter, Key: key.ID()}
	if err := about.Check(); err != nil {
		return p, err
	}
	g := &gathering{ctx: ctx, source: s, wanted: map[uint64]bool{}, entries: map[uint64]*pb.Entry{},
		done:     map[string]bool{},
		balances: map[string]*pb.Balance{}}
	switch about.Kind {
	case Bar:
		g.bar(about.Name, true)
	case Lot:
		g.lot(about.Name, true)
	case Discrepancy:
		g.discrepancy(about.Name, true)
	}
	var notes [][]byte
	g.walk(pb.ThingKind_THING_KIND_COSIGNATURE, func(t *pb.Thing) {
		c := t.GetCosignature()
		g.person(c.GetCosignedBy())
		notes = append(notes, []byte(c.GetNote()))
	})
	g.person(exporter)
	g.fetch()
	if g.err != nil {
		return p, g.err
	}
	err := g.fill(&p, notes, key)
	return p, err
}

// gathering collects the numbers of the entries that are wanted. The first error ends it.
type gathering struct {
	ctx      context.Context
	source   Source
	wanted   map[uint64]bool // false: fetched, or found to be withheld
	entries  map[uint64]*pb.Entry
	withheld []uint64
	done     map[string]bool // things looked up
	balances map[string]*pb.Balance
	papers   []Statement
	err      error
}

func (g *gathering) want(entries ...uint64) {
	for _, n := range entries {
		if _, known := g.wanted[n]; !known {
			g.wanted[n] = true
		}
	}
}

// get looks a thing up, once. What may not be seen is nil, unless it must be there.
func (g *gathering) get(kind pb.ThingKind, name string, must bool) *pb.Thing {
	at := kind.String() + " " + name
	if g.err != nil || name == "" || g.done[at] {
		return nil
	}
	g.done[at] = true
	thing, err := g.source.Get(g.ctx, kind, name)
	if err != nil && (must || !hidden(err)) {
		g.err = err
	}
	if err != nil {
		return nil
	}
	return thing
}

func (g *gathering) walk(kind pb.ThingKind, visit func(*pb.Thing)) {
	if g.err == nil {
		g.err = g.source.Walk(g.ctx, kind, "", func(t *pb.Thing) bool { visit(t); return true })
	}
}

func hidden(err error) bool {
	r := refusal.As(err)
	return r != nil && r.Kind == refusal.NotFound
}

// bar wants what tells of a bar: its pour and samples, its weighings with their balances, its box's way, its receipt.
func (g *gathering) bar(name string, must bool) {
	b := g.get(pb.ThingKind_THING_KIND_BAR, name, must).GetBar()
	if b == nil {
		return
	}
	g.weights(b.Weights)
	for _, a := range b.Assays {
		g.want(a.Entry)
		g.sample(a.Sample)
	}
	g.want(g.get(pb.ThingKind_THING_KIND_POUR, b.Pour, false).GetPour().GetEntries()...)
	if advised := g.get(pb.ThingKind_THING_KIND_CONSIGNMENT, b.Consignment,
		false).GetConsignment().GetEntries(); len(advised) > 0 {
		g.want(advised[0])
	}
	if g.err != nil {
		return
	}
	trace, err := g.source.Trace(g.ctx, name)
	if err != nil {
		g.err = err
		return
	}
	for _, step := range trace.GetSteps() {
		g.want(step.Entry)
	}
	for _, d := range trace.GetDiscrepancies() {
		g.dispute(d)
	}
}

func (g *gathering) weights(list []*pb.WeightRecord) {
	for _, w := range list {
		g.want(w.Entry)
		if w.SupersededBy != 0 {
			g.want(w.SupersededBy)
		}
		g.balance(w.Balance, w.Entry)
	}
}

// balance wants the registration of a balance, and its last check before an entry.
func (g *gathering) balance(name string, before uint64) {
	b, known := g.balances[name]
	if !known {
		b = g.get(pb.ThingKind_THING_KIND_BALANCE, name, false).GetBalance()
		g.balances[name] = b
	}
	if len(b.GetEntries()) == 0 {
		return
	}
	g.want(b.Entries[0])
	for _, c := range slices.Backward(b.Checks) {
		if c.Entry < before {
			g.want(c.Entry)
			return
		}
	}
}

func (g *gathering) sample(name string) {
	s := g.get(pb.ThingKind_THING_KIND_SAMPLE, name, false).GetSample()
	g.want(s.GetEntries()...)
	for _, a := range s.GetAssays() {
		g.want(a.Entry)
	}
}

// lot wants what tells of a lot: its bars, its agreement with prices and holidays, every step on it, its statements.
func (g *gathering) lot(name string, must bool) {
	l := g.get(pb.ThingKind_THING_KIND_LOT, name, must).GetLot()
	if l == nil {
		return
	}
	g.want(l.Entries...)
	if l.MeltEntry != 0 {
		g.want(l.MeltEntry)
		g.balance(l.MeltBalance, l.MeltEntry)
	}
	for _, step := range l.Steps {
		g.want(step.Entry)
	}
	for _, name := range l.Samples {
		g.sample(name)
	}
	for _, name := range l.Bars {
		g.bar(name, false)
	}
	g.agreement(l)
	for _, name := range l.Statements {
		st := g.get(pb.ThingKind_THING_KIND_STATEMENT, name, false).GetStatement()
		if len(st.GetEntries()) > 0 {
			g.want(st.Entries...)
			g.papers = append(g.papers, Statement{st.Entries[0], []byte(st.DocumentJson)})
		}
	}
	for _, name := range l.Returns {
		if r := g.get(pb.ThingKind_THING_KIND_RETURN, name, false).GetReturn(); r != nil {
			g.want(r.Entry)
		}
	}
	for _, name := range l.Discrepancies {
		g.dispute(g.get(pb.ThingKind_THING_KIND_DISCREPANCY, name, false).GetDiscrepancy())
	}
}

// agreement wants the agreement of a lot, and what was published of the series and calendars that it names, from as
// long before the lot as the terms can look back.
func (g *gathering) agreement(l *pb.Lot) {
	a := g.get(pb.ThingKind_THING_KIND_AGREEMENT, l.Agreement, false).GetAgreement()
	if a == nil {
		return
	}
	g.want(a.Entries...)
	terms, err := settlement.ParseTerms([]byte(a.TermsJson))
	if err != nil {
		return // the recomputation will say so
	}
	from := ""
	if opened, err := time.Parse(time.RFC3339, l.OpenedAt); err == nil {
		from = opened.AddDate(0, 0, -lookBack).Format(time.DateOnly)
	}
	series := []string{}
	for _, m := range terms.Metals {
		if m.Price != nil {
			series = append(series, m.Price.Series)
		}
	}
	if terms.Conversion != nil {
		series = append(series, terms.Conversion.Series)
	}
	for _, name := range series {
		s := g.get(pb.ThingKind_THING_KIND_PRICE_SERIES, name, false).GetPriceSeries()
		for i, p := range s.GetPrices() {
			if p.Date >= from {
				g.want(s.PriceEntries[i])
			}
		}
	}
	for _, name := range calendarsOf(a.TermsJson) {
		g.want(g.get(pb.ThingKind_THING_KIND_HOLIDAY_CALENDAR, name, false).GetHolidayCalendar().GetEntries()...)
	}
}

// lookBack is the days before a lot from which prices are taken along: as far as a settlement looks for one, and a
// month.
const lookBack = 431

// calendarsOf returns every name in a list under "calendars", wherever it stands in the terms.
func calendarsOf(terms string) (names []string) {
	var look func(v any)
	look = func(v any) {
		switch v := v.(type) {
		case []any:
			for _, inside := range v {
				look(inside)
			}
		case map[string]any:
			list, _ := v["calendars"].([]any)
			for _, name := range list {
				if text, ok := name.(string); ok && !slices.Contains(names, text) {
					names = append(names, text)
				}
			}
			for _, inside := range v {
				look(inside)
			}
		}
	}
	var read any
	if json.Unmarshal([]byte(terms), &read) == nil {
		look(read)
	}
	slices.Sort(names)
	return names
}

// dispute wants a discrepancy's own entries: what raised it, its evidence, its end.
func (g *gathering) dispute(d *pb.Discrepancy) {
	if d == nil {
		return
	}
	g.want(d.Entry)
	g.want(d.Evidence...)
	if d.DecidedEntry != 0 {
		g.want(d.DecidedEntry)
	}
}

// discrepancy wants a discrepancy, what it is about, and who agreed to how it was decided.
func (g *gathering) discrepancy(name string, must bool) {
	d := g.get(pb.ThingKind_THING_KIND_DISCREPANCY, name, must).GetDiscrepancy()
	if d == nil {
		return
	}
	g.dispute(d)
	g.lot(d.Lot, false)
	g.bar(d.Subject, false)
	if box := g.get(pb.ThingKind_THING_KIND_BOX, d.Subject, false).GetBox(); box != nil {
		g.weights(box.Weights)
		for _, step := range box.Route {
			g.want(step.Entry)
		}
	}
	g.want(g.get(pb.ThingKind_THING_KIND_CONSIGNMENT, d.Subject, false).GetConsignment().GetEntries()...)
	if d.DecidedEntry == 0 || g.err != nil {
		return
	}
	decision, err := g.source.Entry(g.ctx, d.DecidedEntry)
	if err != nil {
		if !hidden(err) {
			g.err = err
		}
		return
	}
	g.err = g.source.Entries(g.ctx, "countersigned", func(e *pb.Entry) bool {
		if e.GetEvent().GetCountersigned().GetEventId() == decision.GetEvent().GetEventId() {
			g.want(e.GetSequence())
		}
		return true
	})
}

// person wants what vouches for a person: their enrolment and keys, and their party's registration.
func (g *gathering) person(name string) {
	p := g.get(pb.ThingKind_THING_KIND_PERSON, name, false).GetPerson()
	g.want(p.GetEntries()...)
	g.want(g.get(pb.ThingKind_THING_KIND_PARTY, p.GetParty(), false).GetParty().GetEntries()...)
}

// fetch fetches what is wanted until nothing more is: each entry brings its author, and a correction its own course.
func (g *gathering) fetch() {
	for g.err == nil {
		var next []uint64
		for n, wanted := range g.wanted {
			if wanted {
				next = append(next, n)
			}
		}
		if len(next) == 0 {
			return
		}
		if len(g.wanted) > maxEntries {
			g.err = refusal.New(refusal.Exhausted, "EVIDENCE_TOO_LARGE", "",
				"More than %d entries tell of this. Export a part of it, such as one bar.", maxEntries)
			return
		}
		slices.Sort(next)
		for _, n := range next {
			g.wanted[n] = false
			e, err := g.source.Entry(g.ctx, n)
			switch {
			case err != nil && hidden(err):
				g.withheld = append(g.withheld, n)
				continue
			case err != nil:
				g.err = err
				return
			}
			g.entries[n] = e
			g.person(e.GetAuthor())
			if e.GetEvent().GetCorrected() != nil {
				g.want(g.get(pb.ThingKind_THING_KIND_CORRECTION, e.GetEvent().GetEventId(), false).GetCorrection().GetEntries()...)
			}
		}
	}
}

// fill proves what was gathered under the newest checkpoint.
func (g *gathering) fill(p *Pack, notes [][]byte, key identity.Key) error {
	note, logKey, err := g.source.Checkpoint(g.ctx)
	if err != nil {
		return err
	}
	body, _, err := proof.SplitNote(note)
	if err != nil {
		return err
	}
	at, err := proof.ParseBody(body)
	if err != nil {
		return err
	}
	p.LogKey, p.Checkpoint = strings.TrimSpace(logKey), note
	own, err := proof.Cosign(body, p.Exporter, key.Private(), p.Exported)
	if err != nil {
		return err
	}
	if p.Checkpoint, err = proof.AddCosignatures(note, func(proof.Cosignature) ed25519.PublicKey { return key.Public() },
		own); err != nil {
		return err
	}
	slices.Sort(g.withheld)
	p.Withheld = g.withheld
	for n, e := range g.entries {
		path, err := g.source.ProveInclusion(g.ctx, n, at.Size)
		if err != nil {
			return err
		}
		p.Entries = append(p.Entries, Entry{n, e.GetLeaf(), path})
	}
	slices.SortFunc(p.Entries, func(a, b Entry) int { return compare(a.Sequence, b.Sequence) })
	for _, s := range g.papers {
		if g.entries[s.Issued] != nil {
			p.Statements = append(p.Statements, s)
		}
	}
	slices.SortFunc(p.Statements, func(a, b Statement) int { return compare(a.Issued, b.Issued) })
	return g.continued(p, at, notes)
}

// continued proves that the log continued the checkpoints that parties cosigned and that statements name.
func (g *gathering) continued(p *Pack, at proof.Checkpoint, notes [][]byte) error {
	sizes := map[uint64]bool{}
	for _, note := range notes {
		body, _, err := proof.SplitNote(note)
		if err != nil {
			continue // nobody could check it
		}
		old, err := proof.ParseBody(body)
		if err != nil || old.Origin != at.Origin || old.Size > at.Size || len(p.Cosigned) == maxOlder {
			continue
		}
		p.Cosigned = append(p.Cosigned, note)
		sizes[old.Size] = true
	}
	for _, e := range g.entries {
		if size := e.GetEvent().GetStatementIssued().GetCheckpointSize(); size != 0 {
			sizes[size] = true
		}
	}
	delete(sizes, at.Size) // the same tree: its root is compared
	for size := range sizes {
		var path []proof.Hash
		if size > 0 {
			var err error
			if path, err = g.source.ProveConsistency(g.ctx, size, at.Size); err != nil {
				return err
			}
		}
		p.Consistency = append(p.Consistency, Consistency{size, path})
	}
	slices.SortFunc(p.Consistency, func(a, b Consistency) int { return compare(a.Size, b.Size) })
	return nil
}

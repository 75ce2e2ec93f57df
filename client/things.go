package main

import (
	"bytes"
	"encoding/json"
	"fmt"
	"slices"
	"strings"

	"google.golang.org/protobuf/proto"

	"barward/client/station"
	"barward/internal/settlement"
	pb "barward/proto/barward/v1"
)

// columns are the columns of a list of each kind of thing, and how a row of it is made.
var columns = map[pb.ThingKind]struct {
	names []string
	row   func(*pb.Thing) []string
}{
	pb.ThingKind_THING_KIND_PARTY: {[]string{"party", "name", "kind", "sites"}, func(t *pb.Thing) []string {
		p := t.GetParty()
		var sites []string
		for _, s := range p.GetSites() {
			sites = append(sites, fmt.Sprintf("%s (%s m)", s.GetSiteId(), s.GetElevationM()))
		}
		return []string{p.GetName(), p.GetDisplayName(), word(p.GetKind()), strings.Join(sites, ", ")}
	}},
	pb.ThingKind_THING_KIND_PERSON: {[]string{"person", "name", "roles", "key", "revoked at"}, func(t *pb.Thing) []string {
		p := t.GetPerson()
		var roles []string
		for _, r := range p.GetRoles() {
			roles = append(roles, word(r))
		}
		return []string{p.GetName(), p.GetDisplayName(), strings.Join(roles, ", "), shortKey(p.GetPublicKey()),
			p.GetRevokedAt()}
	}},
	pb.ThingKind_THING_KIND_BALANCE: {[]string{"balance", "site", "class", "capacity", "readability", "last check",
		"passed"}, func(t *pb.Thing) []string {
		b := t.GetBalance()
		r, checked, passed := b.GetRegistered(), "", ""
		if checks := b.GetChecks(); len(checks) > 0 {
			last := checks[len(checks)-1]
			checked, passed = last.GetCheckedAt(), yesNo(last.GetPassed())
		}
		return []string{b.GetName(), r.GetSite(), r.GetAccuracyClass(), r.GetCapacity(), r.GetReadability(), checked,
			passed}
	}},
	pb.ThingKind_THING_KIND_AGREEMENT: {[]string{"agreement", "terms", "version", "seller", "refiner", "in force",
		"superseded by", "warnings"},
		func(t *pb.Thing) []string {
			g := t.GetAgreement()
			return []string{g.GetName(), g.GetTermsId(), fmt.Sprint(g.GetVersion()), g.GetSeller(), g.GetRefiner(),
				yesNo(g.GetInForce()), g.GetSupersededBy(),
				strings.Join(g.GetWarnings(), "; ")}
		}},
	pb.ThingKind_THING_KIND_PRICE_SERIES: {[]string{"series", "currency", "prices", "from", "to", "last"},
		func(t *pb.Thing) []string {
			s := t.GetPriceSeries()
			from, to, last := "", "", ""
			if n := len(s.GetPrices()); n > 0 {
				from, to, last = s.GetPrices()[0].GetDate(), s.GetPrices()[n-1].GetDate(), s.GetPrices()[n-1].GetPrice()
			}
			return []string{s.GetName(), s.GetCurrency(), fmt.Sprint(len(s.GetPrices())), from, to, last}
		}},
	pb.ThingKind_THING_KIND_HOLIDAY_CALENDAR: {[]string{"calendar", "holidays"}, func(t *pb.Thing) []string {
		c := t.GetHolidayCalendar()
		return []string{c.GetName(), strings.Join(c.GetDates(), " ")}
	}},
	pb.ThingKind_THING_KIND_POUR: {[]string{"pour", "poured at", "bars", "total", "against expected", "witnesses"},
		func(t *pb.Thing) []string {
			p := t.GetPour()
			return []string{p.GetName(), p.GetPouredAt(), fmt.Sprint(len(p.GetBars())), p.GetTotal(),
				p.GetAgainstExpected(), strings.Join(p.GetWitnesses(), ", ")}
		}},
	pb.ThingKind_THING_KIND_BAR: {[]string{"bar", "state", "last weight", "holder", "box", "consignment", "lot",
		"discrepancies"}, func(t *pb.Thing) []string {
		b := t.GetBar()
		return []string{b.GetName(), word(b.GetState()), lastWeight(b.GetWeights()), b.GetHolder(), b.GetBox(),
			b.GetConsignment(), b.GetLot(), strings.Join(b.GetDiscrepancies(), " ")}
	}},
	pb.ThingKind_THING_KIND_SAMPLE: {[]string{"sample", "of", "method", "taken at", "packets", "reports"},
		func(t *pb.Thing) []string {
			s := t.GetSample()
			return []string{s.GetName(), s.GetTaken().GetSource(), word(s.GetTaken().GetMethod()), s.GetTakenAt(),
				fmt.Sprint(len(s.GetTaken().GetPackets())), fmt.Sprint(len(s.GetAssays()))}
		}},
	pb.ThingKind_THING_KIND_BOX: {[]string{"box", "bars", "seals", "holder", "on its way to", "consignment", "opened",
		"discrepancies"}, func(t *pb.Thing) []string {
		b := t.GetBox()
		return []string{b.GetName(), fmt.Sprint(len(b.GetBars())), strings.Join(b.GetSeals(), " "), b.GetHolder(),
			b.GetReleasedTo(), b.GetConsignment(), yesNo(b.GetOpened()), strings.Join(b.GetDiscrepancies(), " ")}
	}},
	pb.ThingKind_THING_KIND_CONSIGNMENT: {[]string{"consignment", "refiner", "boxes", "bars", "received", "extra",
		"advised total", "received total", "discrepancies"}, func(t *pb.Thing) []string {
		c := t.GetConsignment()
		return []string{c.GetName(), c.GetRefiner(), fmt.Sprint(len(c.GetAdvised().GetBoxes())),
			fmt.Sprint(len(c.GetBars())), fmt.Sprint(len(c.GetReceived())), fmt.Sprint(len(c.GetExtra())), c.GetAdvisedTotal(), c.GetReceivedTotal(), strings.Join(c.GetDiscrepancies(), " ")}
	}},
	pb.ThingKind_THING_KIND_LOT: {[]string{"lot", "seller", "state", "bars", "received", "after melt", "settled",
		"discrepancies"}, func(t *pb.Thing) []string {
		l := t.GetLot()
		return []string{l.GetName(), l.GetSeller(), word(l.GetState()), fmt.Sprint(len(l.GetBars())), l.GetReceived(),
			l.GetAfterMelt(), settledWords(l), strings.Join(l.GetDiscrepancies(), " ")}
	}},
	pb.ThingKind_THING_KIND_STATEMENT: {[]string{"statement", "lot", "kind", "net", "paid", "countersigned by",
		"corrects"}, func(t *pb.Thing) []string {
		s := t.GetStatement()
		return []string{s.GetName(), s.GetLot(), word(s.GetKind()), s.GetNet(), s.GetPaid(),
			strings.Join(s.GetCountersignedBy(), ", "), s.GetCorrects()}
	}},
	pb.ThingKind_THING_KIND_RETURN: {[]string{"return", "lot", "statement", "ours", "theirs", "difference"},
		func(t *pb.Thing) []string {
			r := t.GetReturn()
			return []string{r.GetName(), r.GetLot(), r.GetStatement(), r.GetReconciliation().GetOurs(),
				r.GetReconciliation().GetTheirs(), r.GetReconciliation().GetDifference()}
		}},
	pb.ThingKind_THING_KIND_DISCREPANCY: {[]string{"discrepancy", "kind", "subject", "observed", "limit", "explained",
		"money", "answerable", "claim by", "state"}, func(t *pb.Thing) []string {
		d := t.GetDiscrepancy()
		return []string{d.GetName(), strings.ReplaceAll(word(d.GetKind()), "_", " "), d.GetSubject(), d.GetObserved(),
			d.GetLimit(), d.GetExplained(), d.GetMoney(), d.GetAnswerable(), d.GetClaimBy(), word(d.GetState())}
	}},
	pb.ThingKind_THING_KIND_GRANT: {[]string{"grant", "auditors", "may read", "of", "from", "until", "withdrawn at"},
		func(t *pb.Thing) []string {
			g := t.GetGrant()
			var sorts []string
			for _, s := range g.GetGranted().GetSorts() {
				sorts = append(sorts, word(s))
			}
			of := strings.Join(g.GetGranted().GetConsignments(), " ")
			if of == "" {
				of = "all"
			}
			return []string{g.GetName(), g.GetAuditor(), strings.Join(sorts, ", "), of, g.GetGranted().GetFrom(),
				g.GetGranted().GetUntil(), g.GetWithdrawnAt()}
		}},
	pb.ThingKind_THING_KIND_CORRECTION: {[]string{"correction", "corrects", "waits for"}, func(t *pb.Thing) []string {
		c := t.GetCorrection()
		return []string{c.GetName(), c.GetCorrects(), c.GetWaitsFor()}
	}},
}

// showThings prints a list.
func (a *app) showThings(kind pb.ThingKind, things []*pb.Thing) error {
	t := table{columns: columns[kind].names}
	var messages []proto.Message
	if kind == pb.ThingKind_THING_KIND_DISCREPANCY {
		t.columns = append(slices.Clone(t.columns), "claim") // where its window stands on the day of reading
	}
	dated := slices.Index(t.columns, "claim by") // a table says it once, in the claim
	if a.g.Output == "table" && dated >= 0 {
		t.columns = slices.Delete(t.columns, dated, dated+1)
	}
	for _, thing := range things {
		cells := columns[kind].row(thing)
		if kind == pb.ThingKind_THING_KIND_DISCREPANCY {
			cells = append(cells, station.ClaimState(thing.GetDiscrepancy(), a.today()))
		}
		if a.g.Output == "table" && dated >= 0 {
			cells = slices.Delete(cells, dated, dated+1)
		}
		t.add(cells...)
		messages = append(messages, inside(thing))
	}
	if a.g.Output == "json" {
		return a.showList(messages)
	}
	return a.showTable(t)
}

// showThing prints one thing: as a table the whole of it, as CSV the row that it has in a list.
func (a *app) showThing(kind pb.ThingKind, thing *pb.Thing) error {
	switch a.g.Output {
	case "json":
		return a.showJSON([]proto.Message{inside(thing)})
	case "csv":
		return a.showThings(kind, []*pb.Thing{thing})
	}
	switch kind {
	case pb.ThingKind_THING_KIND_STATEMENT:
		return a.showStatement(thing.GetStatement())
	case pb.ThingKind_THING_KIND_DISCREPANCY:
		say(a.out, "%s\n", printable(discrepancyLine(thing.GetDiscrepancy())))
		if claim := station.ClaimState(thing.GetDiscrepancy(), a.today()); claim != "" {
			say(a.out, "claim: %s\n", claim)
		}
		say(a.out, "\n")
	case pb.ThingKind_THING_KIND_RETURN:
		return a.showReturn(thing.GetReturn())
	case pb.ThingKind_THING_KIND_AGREEMENT:
		return a.showAgreement(thing.GetAgreement(), true)
	}
	a.detail(inside(thing))
	switch kind {
	case pb.ThingKind_THING_KIND_BAR:
		return a.showRaised(thing.GetBar().GetDiscrepancies())
	case pb.ThingKind_THING_KIND_LOT:
		return a.showRaised(thing.GetLot().GetDiscrepancies())
	}
	return nil
}

// showAgreement prints an agreement, with its terms as they were signed.
func (a *app) showAgreement(g *pb.Agreement, whole bool) error {
	shown := proto.CloneOf(g)
	shown.TermsJson = ""
	a.detail(shown)
	terms := g.GetTermsJson()
	if !whole {
		say(a.out, "terms of %d bytes; `barward agreement show %s` prints them\n", len(terms), g.GetName())
		return nil
	}
	if read, err := settlement.ParseTerms([]byte(terms)); err == nil {
		say(a.out, "\nin words (what was signed is the document below)\n")
		for _, line := range read.Words() {
			say(a.out, "  %s\n", printable(line))
		}
	}
	var laid bytes.Buffer
	if json.Indent(&laid, []byte(terms), "", "  ") == nil {
		terms = laid.String()
	}
	say(a.out, "\nterms as signed\n%s\n", printable(strings.TrimSpace(terms)))
	return nil
}

// discrepancyLine is a discrepancy in one sentence.
func discrepancyLine(d *pb.Discrepancy) string {
	parts := []string{d.GetName() + "  " + strings.ReplaceAll(word(d.GetKind()), "_", " ") + ", " + d.GetSubject()}
	if d.GetWords() != "" {
		parts = append(parts, strings.TrimSuffix(d.GetWords(), "."))
	} else {
		parts = append(parts, join(" ", d.GetObserved(), with("limit ", d.GetLimit())))
	}
	if stake := join(", ", d.GetFineOunces(), d.GetMoney()); stake != "" {
		parts = append(parts, "at stake "+stake)
	}
	if d.GetAnswerable() != "" {
		parts = append(parts, d.GetAnswerable()+" must answer"+with(" by ", d.GetClaimBy()))
	}
	return strings.Join(parts, "; ")
}

// with puts words before a value, and nothing before none.
func with(before, value string) string {
	if value == "" {
		return ""
	}
	return before + value
}

// join joins what is not empty.
func join(by string, parts ...string) string {
	var filled []string
	for _, p := range parts {
		if p != "" {
			filled = append(filled, p)
		}
	}
	return strings.Join(filled, by)
}

func yesNo(b bool) string {
	if b {
		return "yes"
	}
	return "no"
}

// lastWeight is the last weighing that stands.
func lastWeight(weights []*pb.WeightRecord) string {
	for i := len(weights) - 1; i >= 0; i-- {
		if w := weights[i]; w.GetSupersededBy() == 0 {
			return w.GetMass()
		}
	}
	return ""
}

// settledWords is where each element of a lot stands.
func settledWords(l *pb.Lot) string {
	var parts []string
	for _, s := range l.GetAssays() {
		value := s.GetSettled()
		if value == "" {
			value = strings.ReplaceAll(s.GetState(), "_", " ")
		}
		parts = append(parts, s.GetElement()+" "+value)
	}
	return strings.Join(parts, ", ")
}

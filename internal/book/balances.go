package book

import (
	"encoding/binary"
	"fmt"
	"slices"
	"sort"
	"strconv"
	"strings"
	"time"

	"barward/internal/identity"
	"barward/internal/ledger"
	"barward/internal/quantity"
	"barward/internal/refusal"
	"barward/internal/weighing"
	pb "barward/proto/barward/v1"
)

// balanceOf returns a registered balance as the weighing room knows it.
func balanceOf(e *pb.BalanceRegistered) (weighing.Balance, error) {
	b := weighing.Balance{Class: weighing.Class(e.AccuracyClass), CheckEvery: int(e.CheckEveryDays)}
	for _, m := range []struct {
		field, value string
		into         *quantity.Mass
	}{
		{"capacity", e.Capacity, &b.Capacity}, {"readability", e.Readability, &b.Readability},
		{"verification_interval", e.VerificationInterval, &b.Interval}, {"repeatability", e.Repeatability, &b.Repeatability},
	} {
		mass, err := quantity.ParseMass(m.value)
		if err != nil {
			return b, refusal.In(err, m.field)
		}
		*m.into = mass
	}
	return b, b.Check()
}

// instrument is a balance as the weighing room knows it, with its checks and what was worked out of it.
type instrument struct {
	weighing.Balance
	checks  []weighing.DatedResult
	err     error
	budgets memo[weighing.Budget]
}

// instrumentOf reads a balance, once for each state that it has.
func instrumentOf(s *store, b *pb.Balance) (*instrument, error) {
	i := derive(s, balances.table, b.Name, func() *instrument {
		i := new(instrument)
		if i.Balance, i.err = balanceOf(b.Registered); i.err == nil {
			i.checks, i.err = dated(b)
		}
		return i
	})
	if last, _ := used.Load(b.Name); last != i && i.err == nil {
		used.Store(b.Name, i)
	}
	return i, i.err
}

// budget is the uncertainty of a mean of readings (k = 2). It follows from the error that is permitted at the load, which
// has a few steps, and from the number of readings.
func (i *instrument) budget(load quantity.Mass, readings int) (weighing.Budget, error) {
	permitted, err := i.Permitted(load, weighing.InService)
	if err != nil {
		return weighing.Budget{}, err
	}
	return i.budgets.of(permitted.String()+" "+strconv.Itoa(readings), func() (weighing.Budget, error) {
		return weighing.WeighingUncertainty(i.Balance, load, readings, weighing.InService, quantity.NewDecimal(2))
	})
}

func (f *fold) balanceRegistered(e *pb.BalanceRegistered) error {
	name, err := f.own("balance_id", e.BalanceId)
	if err != nil {
		return err
	}
	if _, err := f.site("site", e.Site); err != nil {
		return err
	}
	instrument, err := balanceOf(e)
	if err != nil {
		return err
	}
	if err := f.adjustment(e.AdjustedOn, e.AdjustedAt); err != nil {
		return err
	}
	if err := balances.free(&f.store, "balance_id", name); err != nil {
		return err
	}
	for _, w := range warnings(&f.store, instrument, e.AdjustedOn, e.AdjustedAt) {
		f.remark(w)
	}
	balances.create(&f.store, &pb.Balance{Name: name, Party: f.who.PartyID, Registered: e, AdjustedOn: e.AdjustedOn, AdjustedAt: e.AdjustedAt, Entries: []uint64{f.entry.Seq}})
	f.about(balances, name)
	return nil
}

// adjustment refuses half an adjustment, and one that has not happened yet.
func (f *fold) adjustment(on, at string) error {
	if on == "" && at == "" {
		return nil
	}
	if on == "" || at == "" {
		return refusal.Invalidf("ADJUSTMENT_HALF_STATED", "adjusted_on", "the last adjustment has a date or a place and not the other; state both, or neither where it is not known")
	}
	when, err := day("adjusted_on", on)
	if err != nil {
		return err
	}
	if when.After(f.at.Add(24 * time.Hour)) { // a day of the calendar has begun somewhere before it has here
		return refusal.Invalidf("DATE_IN_FUTURE", "adjusted_on", "an adjustment on %s is after this event; state the last one that was made", on).With("value", on)
	}
	_, err = f.site("adjusted_at", at)
	return err
}

// warnings says what is unusual about a balance that is allowed all the same.
func warnings(s *store, b weighing.Balance, adjustedOn, adjustedAt string) (words []string) {
	if adjustedOn != "" {
		b.Adjusted = weighing.Adjustment{On: adjustedOn, Place: adjustedAt}
		if elevation, ok := elevationOf(s, adjustedAt); ok {
			b.Adjusted.Elevation = elevation
		}
	}
	for _, w := range b.Warnings() {
		words = append(words, w.Text)
	}
	return words
}

// elevationOf returns the elevation of a site on record.
func elevationOf(s *store, name string) (quantity.Decimal, bool) {
	owner, id, ok := strings.Cut(name, "/")
	if !ok {
		return quantity.Decimal{}, false
	}
	party, ok := parties.load(s, owner)
	if !ok {
		return quantity.Decimal{}, false
	}
	for _, site := range party.Sites {
		if site.SiteId == id {
			elevation, err := quantity.ParseDecimal(site.ElevationM)
			return elevation, err == nil
		}
	}
	return quantity.Decimal{}, false
}

// remark tells the author something that nobody must answer; the receipt and the entry's note carry it.
func (f *fold) remark(words string) {
	if len(f.note.Remarks) < maxRemarks && !slices.Contains(f.note.Remarks, words) {
		f.note.Remarks = append(f.note.Remarks, words)
	}
}

// ownBalance returns a balance of the author's party.
func (f *fold) ownBalance(field, name string) (*pb.Balance, error) {
	balance, ok := balances.load(&f.store, name)
	if !ok || balance.Party != f.who.PartyID {
		return nil, unknown(field, "balance", name)
	}
	return balance, nil
}

// gravity says by how much a balance may misread a load because it was adjusted at another elevation than where it
// stands, or stands elsewhere than it was registered; empty where that is less than one of its divisions.
func (f *fold) gravity(balance *pb.Balance, instrument weighing.Balance, load quantity.Mass) string {
	if site := balance.Registered.Site; (balance.AdjustedAt == "" || balance.AdjustedAt == site) && (f.event.Place == "" || f.event.Place == site) {
		return "" // where it was adjusted
	}
	home, ok := elevationOf(&f.store, balance.Registered.Site)
	if !ok {
		return ""
	}
	from, place, used, at := home, balance.Registered.Site, home, balance.Registered.Site
	if balance.AdjustedAt != "" {
		elevation, ok := elevationOf(&f.store, balance.AdjustedAt)
		if !ok {
			return ""
		}
		from, place = elevation, balance.AdjustedAt
	}
	if here := f.event.Place; here != "" && f.kind != "corrected" && f.kind != "countersigned" { // those are signed at a desk
		if elevation, ok := elevationOf(&f.store, here); ok {
			used, at = elevation, here
		}
	}
	shift, err := weighing.GravityShift(load, from, used)
	if err != nil || shift.Abs().Less(instrument.Readability.Grams()) {
		return ""
	}
	return fmt.Sprintf("%s was last adjusted at %s (%s m) and weighed at %s (%s m): by gravity alone it may misread %s by %s g. Adjust it where it stands.",
		balance.Name, place, from, at, used, load, shift)
}

// judged says what speaks against a weighing on a balance at the moment of this event, by all its checks on record, and
// what its uncertainty is (k = 2, as it is quoted).
func (f *fold) judged(i *instrument, load quantity.Mass, readings int) (doubt, uncertainty string, err error) {
	at, err := instant("occurred_at", f.happened)
	if err != nil {
		return "", "", err
	}
	if budget, err := i.budget(load, readings); err == nil {
		uncertainty = quantity.Grams(budget.Stated()).String()
	}
	return weighing.InDoubt(at, i.checks, i.Balance).Words(), uncertainty, nil
}

// inDoubt files that a balance in doubt has weighed, once an event.
func (f *fold) inDoubt(balance *pb.Balance, subject, doubt string, related []string) {
	if doubt == "" || f.doubted[balance.Name] {
		return
	}
	f.doubted = map[string]bool{balance.Name: true}
	f.raise(&pb.Discrepancy{Kind: pb.DiscrepancyKind_DISCREPANCY_KIND_BALANCE_IN_DOUBT, Subject: balance.Name,
		Rule:     fmt.Sprintf("a balance is checked within %d days before it weighs", balance.Registered.CheckEveryDays),
		Observed: doubt, Words: fmt.Sprintf("%s weighed %s, and %s. Check the balance and weigh again.", balance.Name, subject, doubt),
		Answerable: f.who.PartyID, Parties: join([]string{f.who.PartyID}, related...)})
}

func (f *fold) balanceChecked(e *pb.BalanceChecked) error {
	balance, err := f.ownBalance("balance", e.Balance)
	if err != nil {
		return err
	}
	if err := count("points", len(e.Points), 1, maxCheckPoints); err != nil {
		return err
	}
	points := make([]weighing.CheckPoint, len(e.Points))
	for i, p := range e.Points {
		at := fmt.Sprintf("points[%d]", i)
		nominal, err := quantity.ParseMass(p.Nominal)
		if err != nil {
			return refusal.In(err, at+".nominal")
		}
		observed, err := quantity.ParseMass(p.Observed)
		if err != nil {
			return refusal.In(err, at+".observed")
		}
		points[i] = weighing.CheckPoint{Nominal: nominal, WeightClass: p.WeightClass, Observed: observed}
	}
	if err := f.adjustment(e.AdjustedOn, e.AdjustedAt); err != nil {
		return err
	}
	instrument, err := balanceOf(balance.Registered)
	if err != nil {
		return err
	}
	result, err := weighing.CheckBalance(instrument, points, weighing.InService)
	if err != nil {
		return err
	}
	check := &pb.BalanceCheck{CheckedAt: f.event.OccurredAt, Passed: result.Passed, Entry: f.entry.Seq}
	for _, p := range result.Points {
		word := "within"
		if !p.Passed {
			word = "BEYOND"
		}
		check.Findings = append(check.Findings, fmt.Sprintf("%s: error %s g, %s the permitted %s g", p.Nominal, p.Error, word, p.Permitted))
	}
	for _, w := range result.Warnings {
		check.Findings = append(check.Findings, w.Text)
		f.remark(w.Text)
	}
	balance, _ = balances.change(&f.store, balance.Name)
	balance.Checks = append(balance.Checks, check)
	if extra := len(balance.Checks) - keptChecks; extra > 0 {
		balance.Checks = balance.Checks[extra:]
	}
	if e.AdjustedOn != "" {
		balance.AdjustedOn, balance.AdjustedAt = e.AdjustedOn, e.AdjustedAt
	}
	balance.Entries = append(balance.Entries, f.entry.Seq)
	f.about(balances, balance.Name)
	if result.Passed {
		return nil
	}
	return f.taint(balance, instrument, check)
}

// dated returns the checks of a balance as the weighing room knows them.
func dated(b *pb.Balance) ([]weighing.DatedResult, error) {
	checks := make([]weighing.DatedResult, len(b.Checks))
	for i, c := range b.Checks {
		at, err := instant("checked_at", c.CheckedAt)
		if err != nil {
			return nil, err
		}
		checks[i] = weighing.DatedResult{At: at, Passed: c.Passed}
	}
	return checks, nil
}

// use is one weighing on a balance, where it stands in the book.
type use struct {
	pb    *pb.BalanceUse
	at    time.Time
	lot   *pb.Lot          // a melt
	bar   *pb.Bar          // or a bar
	box   *pb.Box          // or a box
	entry *pb.WeightRecord // of a bar or box
}

// uses finds what was weighed on a balance by the entries from one on. No list of it is kept: it would be written again
// with every weighing, and is asked for only when a check fails or somebody asks. The notes of the entries lead to it, in
// order of time and of one party only. more reports that there is more than one call looks through.
func (s *store) uses(balance *pb.Balance, from uint64) (found []use, more bool, err error) {
	subjects, more, err := s.weighedBy(balance.Party, from)
	if err != nil {
		return nil, false, err
	}
	add := func(subject, mass, when, doubt string, entry uint64, u use) error {
		at, err := instant("weighed_at", when)
		if err != nil {
			return err
		}
		u.pb, u.at = &pb.BalanceUse{Subject: subject, Mass: mass, WeighedAt: when, Entry: entry, Doubt: doubt}, at
		found = append(found, u)
		return nil
	}
	records := func(subject string, weights []*pb.WeightRecord, u use) error {
		for _, w := range weights {
			if w.Balance != balance.Name || w.SupersededBy != 0 || w.Entry < from {
				continue
			}
			u.entry = w
			if err := add(subject, w.Mass, w.WeighedAt, w.Doubt, w.Entry, u); err != nil {
				return err
			}
		}
		return nil
	}
	for _, subject := range subjects {
		title, name, _ := strings.Cut(subject, " ")
		switch title {
		case bars.title():
			if bar, ok := bars.load(s, name); ok {
				err = records(name, bar.Weights, use{bar: bar})
			}
		case boxes.title():
			if box, ok := boxes.load(s, name); ok {
				err = records(name, box.Weights, use{box: box})
			}
		case lots.title():
			if lot, ok := lots.load(s, name); ok && lot.MeltBalance == balance.Name && lot.MeltEntry >= from {
				err = add(name, lot.AfterMelt, lot.MeltedAt, lot.MeltDoubt, lot.MeltEntry, use{lot: lot})
			}
		}
		if err != nil {
			return nil, false, err
		}
	}
	sort.SliceStable(found, func(i, j int) bool { return found[i].pb.Entry < found[j].pb.Entry })
	return found, more, nil
}

// weighedBy lists the bars, boxes and lots that the entries of a party from one on may have weighed, each once.
func (s *store) weighedBy(party string, from uint64) (subjects []string, more bool, err error) {
	seen := map[string]bool{}
	add := func(title, name string) {
		if subject := title + " " + name; !seen[subject] {
			seen[subject] = true
			subjects = append(subjects, subject)
		}
	}
	walk := func(note *pb.EntryNote) {
		title, name := subjectOf(note)
		switch title {
		case pours.title():
			if pour, ok := pours.load(s, name); ok {
				for _, bar := range pour.Bars {
					add(bars.title(), bar)
				}
			}
		case consignments.title():
			s.eachRow(name, from, func(_ uint64, what byte, bar string) {
				if what == rowReceived {
					add(bars.title(), bar)
				}
			})
		case bars.title(), boxes.title(), lots.title():
			add(title, name)
		}
	}
	looked := 0
	var after []byte
	if from > 0 {
		after = binary.BigEndian.AppendUint16(binary.BigEndian.AppendUint64(nil, from-1), ^uint16(0))
	}
	err = notes.page(s.pages, after, ^uint64(0), func(_ []byte, value thing) bool {
		if looked++; looked > maxLooked {
			more = true
			return false
		}
		note := value.(*pb.EntryNote)
		switch note.Kind {
		case "pour_recorded", "weighed", "bar_received", "melted", "corrected": // a correction is about what it corrects
			if note.Party == party {
				walk(note)
			}
		}
		return true
	})
	return subjects, more, err
}

// goodSince returns the entry from which on weighings hang on the next check: that of the check before the last passing
// one, because what a passing check covers may have reached the ledger before it.
func goodSince(b *pb.Balance) uint64 {
	from := b.Entries[0]
	for i := len(b.Checks) - 1; i >= 0; i-- {
		if b.Checks[i].Passed {
			if i > 0 {
				from = b.Checks[i-1].Entry
			}
			return from
		}
	}
	return from
}

// taint marks the weighings that a failed check puts in doubt, those since the last passing check and no other, and files
// one discrepancy that lists them.
func (f *fold) taint(balance *pb.Balance, instrument weighing.Balance, failed *pb.BalanceCheck) error {
	checks, err := dated(balance)
	if err != nil {
		return err
	}
	found, more, err := f.uses(balance, goodSince(balance))
	if err != nil {
		return err
	}
	d := &pb.Discrepancy{Kind: pb.DiscrepancyKind_DISCREPANCY_KIND_BALANCE_IN_DOUBT, Subject: balance.Name, Rule: "a balance stays within its permitted error from one check to the next",
		Observed: strings.Join(failed.Findings, "; "), Answerable: f.who.PartyID, Parties: []string{f.who.PartyID}}
	var tainted []use
	for _, u := range found {
		why := weighing.InDoubt(u.at, checks, instrument)
		if u.pb.Doubt != "" || why == "" {
			continue
		}
		words := fmt.Sprintf("%s (entry %d)", why.Words(), f.entry.Seq)
		switch {
		case u.bar != nil:
			bars.change(&f.store, u.bar.Name)
			u.entry.Doubt = words
			d.Parties = join(d.Parties, u.bar.Parties...)
		case u.box != nil:
			boxes.change(&f.store, u.box.Name)
			u.entry.Doubt = words
			d.Parties = join(d.Parties, u.box.Parties...)
		default:
			lots.change(&f.store, u.lot.Name)
			u.lot.MeltDoubt = words
			d.Parties = join(d.Parties, u.lot.Parties...)
		}
		tainted = append(tainted, u)
		if len(d.Evidence) == 0 || d.Evidence[len(d.Evidence)-1] != u.pb.Entry {
			d.Evidence = append(d.Evidence, u.pb.Entry)
		}
	}
	d.Words = taintedWords(balance, failed, checks, tainted, more)
	f.raise(d)
	for _, u := range tainted {
		switch {
		case u.bar != nil:
			u.bar.Discrepancies = join(u.bar.Discrepancies, d.Name)
		case u.box != nil:
			u.box.Discrepancies = join(u.box.Discrepancies, d.Name)
		default:
			u.lot.Discrepancies = join(u.lot.Discrepancies, d.Name)
		}
	}
	return nil
}

// taintedWords says what a failed check puts in doubt.
func taintedWords(balance *pb.Balance, failed *pb.BalanceCheck, checks []weighing.DatedResult, tainted []use, more bool) string {
	at, err := instant("checked_at", failed.CheckedAt)
	since := "since its first weighing, as no check before it passed"
	if err == nil {
		if last, all := weighing.TaintedSince(at, checks); !all {
			since = "since its last good check on " + last.Format(time.RFC3339)
		}
	}
	if len(tainted) == 0 {
		return fmt.Sprintf("%s failed its check on %s; nothing was weighed on it %s. Do not weigh on it before it has been adjusted and checked.", balance.Name, failed.CheckedAt, since)
	}
	var names []string
	for _, u := range tainted {
		if len(names) == maxNamed {
			names = append(names, fmt.Sprintf("and %d more", len(tainted)-maxNamed))
			break
		}
		names = append(names, fmt.Sprintf("%s (%s, entry %d)", u.pb.Subject, u.pb.Mass, u.pb.Entry))
	}
	text := fmt.Sprintf("%s failed its check on %s, so %d weighings %s are in doubt: %s. Weigh again what is still at hand.", balance.Name, failed.CheckedAt, len(tainted), since, strings.Join(names, ", "))
	if more {
		text += " Later entries were too many to be looked through; look for others by hand."
	}
	return text
}

// BalanceStatus says where a balance stands at an instant, and what hangs on its next check.
func BalanceStatus(pages *ledger.Book, caller identity.Caller, name, at string) (*pb.GetBalanceStatusResponse, error) {
	when, err := instant("at", at)
	if err != nil {
		return nil, err
	}
	s := &store{pages: pages}
	balance, ok := balances.load(s, name)
	if !ok || s.sight(caller, balances.kind, balance) == nil {
		return nil, unknown("balance", "balance", name)
	}
	instrument, err := balanceOf(balance.Registered)
	if err != nil {
		return nil, err
	}
	checks, err := dated(balance)
	if err != nil {
		return nil, err
	}
	standing := weighing.StandingOf(when, checks, instrument)
	out := &pb.GetBalanceStatusResponse{State: string(standing.State), Words: standing.Words, Notes: warnings(s, instrument, balance.AdjustedOn, balance.AdjustedAt)}
	if !standing.Until.IsZero() {
		out.Until = standing.Until.Format(time.RFC3339)
	}
	found, more, err := s.uses(balance, goodSince(balance))
	if err != nil {
		return nil, err
	}
	out.More = more
	since, everything := weighing.TaintedSince(when, checks)
	for _, u := range found {
		if !everything && u.at.Before(since) || u.at.After(when) || !u.seen(s, caller) {
			continue
		}
		if len(out.Since) == maxPageSize {
			out.More = true
			break
		}
		out.Since = append(out.Since, u.pb)
	}
	return out, nil
}

// seen reports whether a caller may see what was weighed.
func (u use) seen(s *store, caller identity.Caller) bool {
	switch {
	case u.bar != nil:
		return s.sight(caller, bars.kind, u.bar) != nil
	case u.box != nil:
		return s.sight(caller, boxes.kind, u.box) != nil
	}
	return s.sight(caller, lots.kind, u.lot) != nil
}

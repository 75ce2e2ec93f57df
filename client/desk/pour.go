package desk

import (
	"fmt"
	"html/template"
	"net/url"
	"os"
	"slices"
	"strconv"
	"strings"
	"time"

	"github.com/google/uuid"

	"barward/client/station"
	"barward/internal/quantity"
	"barward/internal/refusal"
	"barward/internal/weighing"
	pb "barward/proto/barward/v1"
)

// A pour is typed over half an hour, between crucible and balance. Its draft is a file on the disk, written at every
// change, so a crash of the browser, of the desk or of the power costs the figure being typed at most. The draft stays
// after the pour is signed, until it is recorded, because the service may still refuse it.

// pourDraft is a pour as it was typed so far.
type pourDraft struct {
	ID      string     `json:"id"`
	Party   string     `json:"party"`
	By      string     `json:"by"`
	Values  url.Values `json:"values"`
	Started time.Time  `json:"started"`
	Changed time.Time  `json:"changed"`
	Event   string     `json:"event,omitempty"` // id of the event that was signed of it
}

// Number is the number of the pour, as far as one was typed.
func (p pourDraft) Number() string { return strings.TrimSpace(p.Values.Get("pour_id")) }

// Bars counts the marks typed.
func (p pourDraft) Bars() (n int) {
	for _, mark := range p.Values["mark"] {
		if strings.TrimSpace(mark) != "" {
			n++
		}
	}
	return n
}

func draftFile(id string) string { return "drafts/" + id + ".json" }

// draft reads a draft. One whose event never reached the outbox, because a crash came between, is unsigned.
func (d *Desk) draft(id string) (pourDraft, bool, error) {
	var p pourDraft
	if _, err := uuid.Parse(id); err != nil {
		return p, false, nil
	}
	found, err := d.kept.ReadJSON(draftFile(id), &p)
	if err != nil || !found {
		return p, false, err
	}
	if p.Event != "" {
		event, err := uuid.Parse(p.Event)
		if err != nil {
			return p, true, nil
		}
		item, there, err := d.find(event)
		if err != nil {
			return p, false, err
		}
		if !there || item.State == "refused" {
			p.Event = ""
		}
	}
	return p, true, nil
}

// drafts lists the drafts, the latest first.
func (d *Desk) drafts() ([]pourDraft, error) {
	entries, err := os.ReadDir(d.kept.Path("drafts"))
	if os.IsNotExist(err) {
		return nil, nil
	}
	if err != nil {
		return nil, station.NotKept(d.kept.Path("drafts"), err)
	}
	var list []pourDraft
	for _, e := range entries {
		id, ok := strings.CutSuffix(e.Name(), ".json")
		if !ok {
			continue
		}
		p, found, err := d.draft(id)
		if err != nil {
			d.log.Warn("draft not read", "file", e.Name(), "error", err)
			continue
		}
		if found {
			list = append(list, p)
		}
	}
	slices.SortFunc(list, func(a, b pourDraft) int { return b.Started.Compare(a.Started) })
	return list, nil
}

// draftOf returns the draft of a pour that an event was signed from.
func (d *Desk) draftOf(event string) (string, bool) {
	entries, err := os.ReadDir(d.kept.Path("drafts"))
	if err != nil {
		return "", false
	}
	for _, e := range entries {
		var p pourDraft
		id, _ := strings.CutSuffix(e.Name(), ".json")
		if found, err := d.kept.ReadJSON(draftFile(id), &p); found && err == nil && p.Event == event {
			return id, true
		}
	}
	return "", false
}

// keepDraft writes a draft, on the disk before it returns.
func (d *Desk) keepDraft(p pourDraft) error {
	p.Changed = d.now()
	return d.kept.WriteJSON(draftFile(p.ID), p)
}

// newPour begins a pour.
func (v *visit) newPour() error {
	p := pourDraft{ID: uuid.NewString(), Party: v.seat.Party, By: v.seat.Person, Started: v.d.now(), Values: url.Values{}}
	if balances, _, err := v.balances(); err == nil {
		for _, b := range balances {
			if b.Good || p.Values.Get("balance") == "" {
				p.Values.Set("balance", b.Name)
			}
			if b.Good {
				break
			}
		}
	}
	if err := v.d.keepDraft(p); err != nil {
		return err
	}
	return v.redirect("/goldroom/pour/" + p.ID)
}

// myDraft returns the draft of the address, if it is this party's.
func (v *visit) myDraft() (pourDraft, error) {
	p, found, err := v.d.draft(v.r.PathValue("draft"))
	if err == nil && (!found || p.Party != v.seat.Party) {
		err = refusal.New(refusal.NotFound, "DRAFT_UNKNOWN", "",
			"This pour is not on this workstation: it was discarded, or begun on another.")
	}
	return p, err
}

// barRow is one bar as typed, with its verdict.
type barRow struct {
	Mark, First, Second string
	Verdict             verdict
	Bad                 string // the input that is to be put right before it can be signed
	taken               bool   // it is complete, and a bar of the pour
}

// pourSheet is a pour as typed, put to the rules of its balance.
type pourSheet struct {
	Form     *Form
	Draft    pourDraft
	Rows     []barRow
	Bars     int
	Total    string // empty where it cannot be added up
	Expected string
	Against  string // poured against expected, in words
	Balance  balanceLine
	Balances []Option
	Disagree int // bars whose readings are too far apart
	Seen     Seen
	Saved    string
	Sheet    string // names this showing of the page
	Doubled  string // why its number cannot be used
	known    func(mark string) bool
	body     *pb.PourRecorded
}

// pour is the page on which a pour is typed.
func (v *visit) pour() error {
	draft, err := v.myDraft()
	if err != nil {
		return err
	}
	if draft.Event != "" {
		return v.redirect("/goldroom/pours/" + draft.Party + "/" + url.PathEscape(draft.Number()))
	}
	if v.posted() {
		if draft, err = v.save(draft); err != nil {
			return err
		}
		v.d.used.ask()
		sheet, err := v.sheet(draft)
		if err != nil {
			return err
		}
		if v.r.PostForm.Get("then") == "row" { // without the script: one more row
			return v.redirect(v.r.URL.Path)
		}
		v.complete(sheet)
		if sheet.Form.Good() {
			return v.redirect(v.r.URL.Path + "/sign")
		}
		v.status = 422
		return v.show("pour.html", "Log a pour", sheet)
	}
	sheet, err := v.sheet(draft)
	if err != nil {
		return err
	}
	return v.show("pour.html", "Log a pour", sheet)
}

// save keeps what was sent of a draft. A page sends its figures in turns; one that was overtaken on the way, by a later
// one or by the button that ends the page, changes nothing.
func (v *visit) save(draft pourDraft) (pourDraft, error) {
	v.d.drafting.Lock()
	defer v.d.drafting.Unlock()
	if now, found, err := v.d.draft(draft.ID); err != nil {
		return draft, err
	} else if found {
		draft = now
	}
	sent, kept := v.r.PostForm, draft.Values
	if sent.Get("sheet") != "" && sent.Get("sheet") == kept.Get("sheet") && turn(sent) < turn(kept) {
		return draft, nil
	}
	values := url.Values{}
	for name, all := range v.r.PostForm {
		if !secret(name) && name != "then" {
			values[name] = all
		}
	}
	draft.Values = values
	return draft, v.d.keepDraft(draft)
}

// turn is which of its sendings a page says that this is.
func turn(values url.Values) int {
	n, err := strconv.Atoi(values.Get("turn"))
	if err != nil {
		return 0
	}
	return n
}

// pourLive keeps and judges what is being typed.
func (v *visit) pourLive() error {
	draft, err := v.myDraft()
	if err != nil {
		return err
	}
	if draft.Event != "" {
		return refusal.New(refusal.Precondition, "POUR_SIGNED", "", "This pour was signed already, in another window.")
	}
	if draft, err = v.save(draft); err != nil {
		return err
	}
	sheet, err := v.sheet(draft)
	if err != nil {
		return err
	}
	parts := map[string]template.HTML{}
	for i, row := range sheet.Rows {
		html, err := v.part("pour.html", "verdict", row.Verdict)
		if err != nil {
			return err
		}
		parts[fmt.Sprintf("verdict-%d", i)] = html
	}
	parts["fault"] = "" // what was wrong when it was to be signed may be right now
	for _, name := range []string{"totals", "standing", "keep"} {
		html, err := v.part("pour.html", name, sheet)
		if err != nil {
			return err
		}
		parts[name] = html
	}
	return v.answer(fresh{Parts: parts, Saved: "Kept on this workstation at " + v.d.now().Local().Format("15:04:05")})
}

// discardPour forgets a draft that was not signed.
func (v *visit) discardPour() error {
	draft, err := v.myDraft()
	if err != nil {
		return err
	}
	if draft.Event == "" {
		if err := v.d.remove(draftFile(draft.ID)); err != nil {
			return err
		}
		v.say("done", "The pour was discarded. Nothing of it had been signed.")
	}
	return v.redirect("/goldroom")
}

// sheet puts a draft to the rules of its balance.
func (v *visit) sheet(draft pourDraft) (*pourSheet, error) {
	f := &Form{values: draft.Values, faults: map[string]string{}, Once: draft.ID}
	balances, seen, err := v.balances()
	if err != nil && !station.Unreachable(err) {
		return nil, err
	}
	s := &pourSheet{Form: f, Draft: draft, Balances: balanceOptions(balances), Seen: seen, Sheet: uuid.NewString()}
	for _, b := range balances {
		if b.Name == f.Get("balance") {
			s.Balance = b
		}
	}
	var instrument *weighing.Balance
	if s.Balance.thing != nil {
		if b, err := station.BalanceOf(s.Balance.thing.GetRegistered()); err == nil {
			instrument = &b
		}
	}
	if _, again := v.signedBefore(&Form{Once: draft.ID}); !again { // a pour is no double of itself
		s.known = func(mark string) bool {
			return v.onRecord(pb.ThingKind_THING_KIND_BAR, draft.Party+"/"+mark)
		}
		if n := f.Get("pour_id"); n != "" && v.onRecord(pb.ThingKind_THING_KIND_POUR, draft.Party+"/"+n) {
			s.Doubled = "Pour " + n + " is on record already. Give this one a number of its own."
		}
	}
	s.judge(instrument)
	s.Saved = "Kept on this workstation at " + draft.Changed.Local().Format("15:04:05")
	return s, nil
}

// judge reads what was typed, row by row, and adds up what can be.
func (s *pourSheet) judge(b *weighing.Balance) {
	f := s.Form
	unit := "g"
	if b != nil {
		unit = string(b.Readability.Unit())
	}
	s.body = &pb.PourRecorded{PourId: f.Get("pour_id"), Balance: f.Get("balance"), ChargeDescription: f.Get("charge_description")}
	for _, m := range []struct {
		name string
		into *string
	}{{"charge", &s.body.Charge}, {"slag", &s.body.Slag}, {"expected", &s.body.Expected}} {
		if f.Get(m.name) == "" {
			continue
		}
		found, err := mass(f.Get(m.name), unit)
		if err != nil {
			f.Blame(m.name, capital(station.TextOf(err)))
			continue
		}
		*m.into = found.String()
	}
	if f.Get("temperature_c")+f.Get("pressure_hpa")+f.Get("humidity_percent") != "" {
		s.body.Air = &pb.Air{TemperatureC: f.Get("temperature_c"), PressureHpa: f.Get("pressure_hpa"), HumidityPercent: f.Get("humidity_percent")}
	}
	marks, first, second := f.All("mark"), f.All("reading1"), f.All("reading2")
	used := map[string]bool{}
	var total quantity.Mass
	whole := true
	for i := range marks {
		row := barRow{Mark: marks[i]}
		if i < len(first) {
			row.First = first[i]
		}
		if i < len(second) {
			row.Second = second[i]
		}
		weight, poured := row.judge(b, unit, used, s.known)
		if row.taken = poured != nil; row.taken {
			s.body.Bars = append(s.body.Bars, poured)
			s.Bars++
			total = total.Add(weight)
		} else if row.Mark+row.First+row.Second != "" {
			whole = false
		}
		if row.Verdict.Kind == "no" && poured != nil {
			s.Disagree++
		}
		s.Rows = append(s.Rows, row)
	}
	for len(s.Rows) == 0 || s.Rows[len(s.Rows)-1] != (barRow{}) {
		s.Rows = append(s.Rows, barRow{})
	}
	if s.Bars > 0 {
		s.Total = total.String()
	}
	s.Expected = s.body.GetExpected()
	if expected, err := quantity.ParseMass(s.Expected); err == nil && s.Bars > 0 {
		switch difference := total.Sub(expected); difference.Sign() {
		case 0:
			s.Against = "as expected"
		case 1:
			s.Against = difference.String() + " more than expected"
		default:
			s.Against = expected.Sub(total).String() + " less than expected"
		}
		if !whole {
			s.Against += ", so far"
		}
	}
}

// judge puts one bar to the rules. It returns the bar where it is complete, with its weight.
func (r *barRow) judge(b *weighing.Balance, unit string, used map[string]bool, known func(string) bool) (quantity.Mass,
	*pb.PouredBar) {
	say := func(kind, format string, args ...any) {
		r.Verdict = verdict{Kind: kind, Text: fmt.Sprintf(format, args...)}
	}
	if r.Mark+r.First+r.Second == "" {
		return quantity.Mass{}, nil
	}
	var readings []string
	var masses []quantity.Mass
	for _, text := range []string{r.First, r.Second} {
		if text == "" {
			continue
		}
		m, err := mass(text, unit)
		if err == nil && b != nil {
			if words, refused := station.Readable(b, []string{m.String(), m.String()}); refused {
				say("no", "%s", capital(words))
				return quantity.Mass{}, nil
			}
		}
		if err != nil {
			say("no", "%s", capital(station.TextOf(err)))
			return quantity.Mass{}, nil
		}
		readings, masses = append(readings, m.String()), append(masses, m)
	}
	switch {
	case r.Mark == "":
		say("open", "the mark is missing")
		return quantity.Mass{}, nil
	case used[r.Mark]:
		say("no", "%s is in this pour already; a mark is used once", r.Mark)
		return quantity.Mass{}, nil
	case known != nil && known(r.Mark):
		say("no", "%s is on record already; a mark is used once", r.Mark)
		return quantity.Mass{}, nil
	}
	used[r.Mark] = true
	switch {
	case len(readings) == 0:
		say("open", "weigh it twice")
		return quantity.Mass{}, nil
	case r.First == "" || r.Second == "":
		say("open", "lift it off and weigh it again")
		return quantity.Mass{}, nil
	}
	bar := &pb.PouredBar{Mark: r.Mark, Readings: readings}
	if b == nil {
		say("open", "the balance is not known here; the service will judge")
		return masses[0], bar
	}
	weight, words := station.Judge(b, readings)
	if words != "" {
		say("no", "%s: weigh a fresh pair", capital(words))
		return weight.Mass, bar
	}
	say("ok", "%s apart, agreed", weight.Spread)
	r.Verdict.Big = weight.Mass.String()
	return weight.Mass, bar
}

// wrongInput is the input of a bar that is to be put right.
func (r barRow) wrongInput() string {
	unread := func(text string) bool { _, err := mass(text, "g"); return text != "" && err != nil }
	switch {
	case unread(r.First):
		return "reading1"
	case unread(r.Second):
		return "reading2"
	case r.Mark == "" || strings.HasPrefix(r.Verdict.Text, r.Mark+" is "): // it is used already
		return "mark"
	case r.First == "":
		return "reading1"
	case r.Second == "":
		return "reading2"
	}
	return "reading1"
}

// complete blames what is missing before a pour can be signed.
func (v *visit) complete(s *pourSheet) {
	f := s.Form
	f.need("pour_id", "Give the pour its number.")
	if s.Doubled != "" {
		f.Blame("pour_id", s.Doubled)
	}
	f.need("balance", "Choose the balance that the bars were weighed on.")
	for i, row := range s.Rows {
		if row != (barRow{}) && !row.taken {
			f.Blame(fmt.Sprintf("mark[%d]", i), row.Verdict.Text)
			s.Rows[i].Bad = row.wrongInput()
		}
	}
	switch {
	case !f.Good():
		if f.Fault == "" && len(f.faults) > 0 {
			f.Fault = "This cannot be signed yet; beside each place it says why."
		}
	case s.Bars == 0:
		f.Fault = "A pour has at least one bar. Give it its mark and weigh it twice."
	case s.Disagree > 0 && f.Get("keep") == "":
		f.Fault = fmt.Sprintf("The readings of %s do not agree. Weigh a fresh pair, or tick that they are to be recorded as they are.",
			count(s.Disagree, "bar"))
	}
}

package desk

import (
	"html/template"
	"slices"
	"strings"

	"barward/client/station"
	"barward/internal/quantity"
	"barward/internal/weighing"
	pb "barward/proto/barward/v1"
)

// lotBar is a received bar that may go into a lot.
type lotBar struct {
	Name, Mark, Weight string
	Flags              int
}

// bayLot opens a lot from the bars of a consignment that were received and are in no lot yet.
func (v *visit) bayLot() error {
	f := v.form()
	f.Set("consignment", v.r.URL.Query().Get("consignment"))
	name := f.Get("consignment")
	if _, _, ok := cutName(name); !ok {
		return v.nowhere()
	}
	thing, seen, err := v.get(pb.ThingKind_THING_KIND_CONSIGNMENT, name)
	if err != nil {
		return err
	}
	agreement := thing.GetConsignment().GetAdvised().GetAgreement()
	things, _, err := v.collect(pb.ThingKind_THING_KIND_BAR, filterOf("consignment", name, "state", "RECEIVED"))
	if err != nil {
		return err
	}
	var bars []lotBar
	for _, t := range things {
		b := t.GetBar()
		line := lotBar{Name: b.GetName(), Mark: station.Short(b.GetName()), Flags: len(b.GetDiscrepancies())}
		for _, w := range b.GetWeights() {
			if w.GetSupersededBy() == 0 {
				line.Weight = w.GetMass()
			}
		}
		bars = append(bars, line)
		if !v.posted() && !f.Has("bars", b.GetName()) && v.r.URL.Query().Get("again") == "" {
			f.values.Add("bars", b.GetName()) // all of them, until some are left out
		}
	}
	if v.posted() {
		body := &pb.LotOpened{LotId: f.need("lot_id", "Give the lot its number."), Agreement: agreement,
			Bars: f.Filled("bars")}
		if len(body.Bars) == 0 {
			f.Blame("bars", "Tick the bars that are melted together.")
		}
		if f.Good() {
			err := v.sign(f, "Lot "+body.GetLotId(), body)
			if err == nil {
				return v.redirect("/bay/melt?lot=" + v.seat.Party + "/" + body.GetLotId())
			}
			if !f.refuse(err) {
				return err
			}
		}
		v.status = 422
	}
	return v.show("bay_lot.html", "Open a lot", map[string]any{"Form": f, "Bars": bars, "Seen": seen,
		"Consignment": thing.GetConsignment(),
		"Agreement":   agreement, "Whole": len(things) < choiceSize})
}

// meltView is the melt of a lot as typed, put to the rules.
type meltView struct {
	Form     *Form
	Seen     Seen
	Lots     []Option
	Lot      *pb.Lot
	Balances []Option
	Balance  balanceLine
	Loss     verdict
	Unit     string
	Charged  verdict // against what was received
	Read     string  // what is read again before it is signed, as it was typed; empty until all of it is typed
}

// bayMelt records the melt of a lot.
func (v *visit) bayMelt() error {
	p, body, err := v.meltTyped()
	if err != nil {
		return err
	}
	if f := p.Form; v.posted() {
		f.need("lot", "Choose the lot that was melted.")
		f.need("balance", "Choose the balance that it was weighed on.")
		f.need("before", "Weigh the charge before it goes into the furnace.")
		f.need("after", "Weigh the clean metal after the melt.")
		if f.Good() && f.Get("read") != meltDigest(body) { // what is signed is read again first
			p.Read = meltDigest(body)
			return v.show("bay_melt.html", "Record a melt", p)
		}
		if f.Good() {
			_, err := v.signAll(f, "The melt of "+body.GetLot(), signing{body: body, place: v.siteOf(body.GetBalance())})
			if err == nil {
				return v.redirect("/bay/sample?source=" + body.GetLot())
			}
			if !f.refuse(err) {
				return err
			}
		}
		v.status = 422
	}
	return v.show("bay_melt.html", "Record a melt", p)
}

// meltDigest is a melt as it was read again: where something is changed after that, it is read once more.
func meltDigest(m *pb.Melted) string {
	return strings.Join([]string{m.GetLot(), m.GetBalance(), m.GetBefore(), m.GetAfter(), m.GetSlag()}, ";")
}

// chargedAgainst sets the charge against the weight that was received.
func chargedAgainst(lot *pb.Lot, charged quantity.Mass) verdict {
	received, err := quantity.ParseMass(lot.GetReceived())
	if lot == nil || charged.Sign() == 0 || err != nil {
		return verdict{}
	}
	difference := charged.Sub(received)
	switch {
	case difference.Sign() == 0:
		return verdict{Kind: "ok", Text: "Charged what was received"}
	case difference.Sign() < 0:
		return verdict{Kind: "open", Text: "Charged " + received.Sub(charged).String() + " less than was received"}
	}
	return verdict{Kind: "open", Text: "Charged " + difference.String() + " more than was received"}
}

func (v *visit) meltTyped() (*meltView, *pb.Melted, error) {
	p := &meltView{Form: v.form()}
	f := p.Form
	f.Set("lot", v.r.URL.Query().Get("lot"))
	lots, seen, err := v.collect(pb.ThingKind_THING_KIND_LOT, filterOf("party", v.seat.Party, "state", "OPENED"))
	if err != nil && !station.Unreachable(err) {
		return nil, nil, err
	}
	p.Seen = seen
	waiting, err := v.d.waitingEvents()
	if err != nil {
		return nil, nil, err
	}
	for _, t := range lots {
		p.Lots = append(p.Lots, Option{Value: t.GetLot().GetName(), Text: shortName(v.seat.Party, t.GetLot().GetName()) +
			", " + count(len(t.GetLot().GetBars()), "bar")})
	}
	for _, w := range waiting {
		if o := w.event.GetLotOpened(); o != nil {
			p.Lots = append(p.Lots, Option{Value: v.seat.Party + "/" + o.GetLotId(), Text: o.GetLotId() + ", " +
				count(len(o.GetBars()), "bar") + " (waits to be sent)"})
		}
	}
	if len(p.Lots) > 0 {
		f.Set("lot", p.Lots[0].Value)
	}
	at := slices.IndexFunc(lots, func(t *pb.Thing) bool { return t.GetLot().GetName() == f.Get("lot") })
	if at >= 0 {
		p.Lot = lots[at].GetLot()
	}
	balances, _, err := v.balances()
	if err != nil && !station.Unreachable(err) {
		return nil, nil, err
	}
	p.Balances = balanceOptions(balances)
	if f.Get("balance") == "" {
		f.Set("balance", largest(balances))
	}
	for _, b := range balances {
		if b.Name == f.Get("balance") {
			p.Balance = b
			if i, err := station.BalanceOf(b.thing.GetRegistered()); err == nil {
				p.Unit = string(i.Readability.Unit())
			}
		}
	}
	body := &pb.Melted{Lot: f.Get("lot"), Balance: f.Get("balance")}
	var masses [3]quantity.Mass
	for i, m := range []struct {
		name string
		into *string
	}{{"before", &body.Before}, {"after", &body.After}, {"slag", &body.Slag}} {
		if f.Get(m.name) == "" {
			continue
		}
		if masses[i], err = mass(f.Get(m.name), p.Unit); err != nil {
			f.Blame(m.name, capital(station.TextOf(err)))
			continue
		}
		*m.into = masses[i].String()
	}
	p.Charged = chargedAgainst(p.Lot, masses[0])
	p.Loss = v.meltLoss(p.Lot, masses[1], masses[2])
	return p, body, nil
}

// largest is the balance of the greatest capacity: a melt is the heaviest thing that is weighed.
func largest(balances []balanceLine) (name string) {
	var most quantity.Mass
	for _, b := range balances {
		if i, err := station.BalanceOf(b.thing.GetRegistered()); err == nil && i.Capacity.Sub(most).Sign() > 0 {
			most, name = i.Capacity, b.Name
		}
	}
	return name
}

// meltLoss sets what was received against what the melt gave, by the rules of the weighing room and the range that the
// agreement expects.
func (v *visit) meltLoss(lot *pb.Lot, after, slag quantity.Mass) verdict {
	if lot == nil || after.Sign() == 0 {
		return verdict{}
	}
	received, err := quantity.ParseMass(lot.GetReceived())
	if err != nil {
		return verdict{}
	}
	terms, _, known, err := v.termsOf(lot.GetAgreement())
	if err != nil || !known || terms.Limits == nil || terms.Limits.MeltLoss.Least == nil ||
		terms.Limits.MeltLoss.Most == nil {
		return verdict{Kind: "open", Text: "The agreement expects no loss that is known here; the service judges."}
	}
	loss, err := weighing.MeltLoss(received, after, slag, weighing.LossRange{Low: terms.Limits.MeltLoss.Least.Shift(1),
		High: terms.Limits.MeltLoss.Most.Shift(1)})
	switch {
	case err != nil:
		return verdict{Kind: "no", Text: capital(station.TextOf(err))}
	case loss.Within:
		return verdict{Kind: "ok", Text: loss.Verdict + " Counted from the " + lot.GetReceived() + " received."}
	}
	return verdict{Kind: "no", Text: loss.Verdict + " Counted from the " + lot.GetReceived() +
		" received. Weigh again; if it is so, it is recorded and flagged."}
}

// bayMeltLive answers while a melt is typed.
func (v *visit) bayMeltLive() error {
	p, _, err := v.meltTyped()
	if err != nil {
		return err
	}
	html, err := v.part("bay_melt.html", "verdict", p.Loss)
	if err != nil {
		return err
	}
	charged, err := v.part("bay_melt.html", "charged", p)
	if err != nil {
		return err
	}
	return v.answer(fresh{Parts: map[string]template.HTML{"loss": html, "charged": charged}})
}

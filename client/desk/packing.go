package desk

import (
	"fmt"
	"html/template"
	"slices"
	"strings"
	"time"

	"barward/client/station"
	"barward/internal/refusal"
	pb "barward/proto/barward/v1"
)

// several splits numbers that were typed or scanned into one field.
func several(text string) []string {
	return strings.FieldsFunc(text, func(r rune) bool { return strings.ContainsRune(" ,;+\t\r\n", r) })
}

// severalOnce is several, each number once: a scanner that was pressed twice has read one seal.
func severalOnce(text string) (all []string) {
	for _, number := range several(text) {
		if !slices.Contains(all, number) {
			all = append(all, number)
		}
	}
	return all
}

// pack is the page on which bars go into a box under seals. What was typed is read again on a page of its own before it
// is signed, because a box that is signed is sealed for good.
func (v *visit) pack() error {
	f := v.form()
	bars, seen, err := v.barsAtHand()
	if err != nil {
		return err
	}
	if v.posted() {
		body := v.boxPacked(f)
		switch back := f.Get("then") == "back"; {
		case f.Good() && f.Get("read") == "":
			return v.readBox(f, body, bars, seen)
		case f.Good() && !back:
			err := v.sign(f, "Box "+body.GetBoxId(), body)
			if err == nil {
				return v.redirect("/goldroom/pack")
			}
			if !f.refuse(err) {
				return err
			}
			f.gather("bars")
			f.gather("seals")
			f.aloud("box_id", "seals", "gross", "bars")
			v.status = 422
		case !back:
			v.status = 422
		}
	}
	boxes, _, err := v.boxesAtHand()
	if err != nil {
		return err
	}
	return v.show("packing.html", "Pack a box", map[string]any{"Form": f, "Bars": bars, "Seen": seen, "Boxes": boxes})
}

// boxPacked makes the event of the form.
func (v *visit) boxPacked(f *Form) *pb.BoxPacked {
	body := &pb.BoxPacked{BoxId: f.need("box_id", "Give the box the number that is painted on it."),
		Seals: severalOnce(f.Get("seals")), Gross: f.massOf("gross")}
	for _, mark := range append(f.Filled("bar"), several(f.Get("bars"))...) {
		full := station.Beside(v.seat.Party+"/", mark)
		if !slices.Contains(body.Bars, full) {
			body.Bars = append(body.Bars, full)
		}
	}
	if len(body.Bars) == 0 {
		f.Blame("bars", "Tick or type the marks of the bars that lie in the box.")
	}
	if len(body.Seals) == 0 {
		f.Blame("seals", "Put at least one seal on the box and type its number.")
	}
	return body
}

// readBox shows what is about to be signed, to be read against the box.
func (v *visit) readBox(f *Form, body *pb.BoxPacked, lie []barAtHand, seen Seen) error {
	bars := make([]barAtHand, len(body.GetBars()))
	for i, name := range body.GetBars() {
		bars[i] = barAtHand{Mark: shortName(v.seat.Party, name)}
		if at := slices.IndexFunc(lie, func(b barAtHand) bool { return b.Name == name }); at >= 0 {
			bars[i] = lie[at]
		}
	}
	return v.show("packing_sign.html", "Read and sign", map[string]any{"Form": f, "Box": body, "Bars": bars, "Seen": seen})
}

// aloud says of the whole what is wrong with something that has no place of its own on the page, which shows the inputs
// named.
func (f *Form) aloud(shown ...string) {
	for at, text := range f.faults {
		if !slices.Contains(shown, at) && f.Fault == "" {
			f.Fault = text
		}
	}
}

// gather puts what is wrong with one of several values of an input beside the input.
func (f *Form) gather(name string) {
	for at, text := range f.faults {
		if strings.HasPrefix(at, name+"[") {
			f.Blame(name, text)
			delete(f.faults, at)
		}
	}
}

// massOf completes a mass of the form in grams where no unit was typed, and blames what is none.
func (f *Form) massOf(name string) string {
	if f.Get(name) == "" {
		return ""
	}
	m, err := mass(f.Get(name), "g")
	if err != nil {
		f.Blame(name, capital(station.TextOf(err)))
		return ""
	}
	return m.String()
}

// nobody is the choice that somebody makes on purpose where there is no carrier or no witness.
const nobody = "nobody"

// advise is the page on which boxes are announced to a refinery under an agreement.
func (v *visit) advise() error {
	f := v.form()
	all, seen, err := v.boxesAtHand()
	if err != nil {
		return err
	}
	boxes := slices.DeleteFunc(slices.Clone(all), func(b boxAtHand) bool { return b.Consignment != "" })
	agreements, err := v.agreementOptions()
	if err != nil {
		return err
	}
	carriers, err := v.carrierOptions(Option{Text: "Choose who carries it"},
		Option{Value: nobody, Text: "Nobody: the mine carries it itself"})
	if err != nil {
		return err
	}
	if len(agreements) == 1 {
		f.Set("agreement", agreements[0].Value)
	}
	if v.posted() {
		body := &pb.ConsignmentAdvised{ConsignmentId: f.need("consignment_id", "Give the consignment its number."),
			Agreement: f.need("agreement", "Choose the agreement that it is sold under."), Carrier: f.need("carrier", "Choose who carries it, or say that nobody does.")}
		if body.Carrier == nobody {
			body.Carrier = ""
		}
		for _, box := range f.Filled("boxes") {
			body.Boxes = append(body.Boxes, station.Beside(v.seat.Party+"/", box))
		}
		if len(body.Boxes) == 0 {
			f.Blame("boxes", "Tick the boxes that go.")
		}
		if f.Good() {
			err := v.sign(f, "Consignment "+body.GetConsignmentId(), body)
			if err == nil {
				return v.redirect("/goldroom/release?consignment=" + v.seat.Party + "/" + body.GetConsignmentId())
			}
			if !f.refuse(err) {
				return err
			}
			f.gather("boxes")
			f.aloud("consignment_id", "agreement", "carrier", "boxes")
		}
		v.status = 422
	}
	return v.show("packing_advise.html", "Advise a consignment", map[string]any{"Form": f, "Boxes": boxes, "Seen": seen,
		"Agreements": agreements, "Carriers": carriers})
}

// agreementOptions are the agreements in force under which this party sells.
func (v *visit) agreementOptions() ([]Option, error) {
	things, _, err := v.collect(pb.ThingKind_THING_KIND_AGREEMENT, filterOf("seller", v.seat.Party, "in_force", "true"))
	if err != nil && !station.Unreachable(err) {
		return nil, err
	}
	var options []Option
	for _, thing := range things {
		if a := thing.GetAgreement(); a.GetSupersededBy() == "" {
			options = append(options, Option{Value: a.GetName(), Text: shortName(v.seat.Party,
				a.GetName()) + ", to " + a.GetRefiner()})
		}
	}
	return options, nil
}

// carrierOptions are the parties that carry.
func (v *visit) carrierOptions(first ...Option) ([]Option, error) {
	things, _, err := v.collect(pb.ThingKind_THING_KIND_PARTY, filterOf("kind", "CARRIER"))
	if err != nil && !station.Unreachable(err) {
		return nil, err
	}
	options := first
	for _, thing := range things {
		p := thing.GetParty()
		options = append(options, Option{Value: p.GetName(), Text: p.GetDisplayName()})
	}
	return options, nil
}

// sealRow is one box of a release: the seals as read, and whether they are those on record.
type sealRow struct {
	Box     boxAtHand
	Read    string
	Gross   string
	Verdict verdict
	Bad     string // the input that is to be put right before it can be signed
}

// sealVerdict compares the seals read with those on record. A difference is no refusal: what was read is what is
// signed.
func sealVerdict(b boxAtHand, read string) verdict {
	got := severalOnce(read)
	switch {
	case len(got) == 0:
		return verdict{Kind: "open", Text: "read its seals: " + count(len(b.Seals), "seal")}
	case len(got) < len(b.Seals) && !slices.ContainsFunc(got, func(s string) bool { return !slices.Contains(b.Seals, s) }):
		return verdict{Kind: "open", Text: fmt.Sprintf("%d of %s read", len(got), count(len(b.Seals), "seal"))}
	}
	want := slices.Clone(b.Seals)
	slices.Sort(want)
	found := slices.Clone(got)
	slices.Sort(found)
	if slices.Equal(want, found) {
		return verdict{Kind: "ok", Text: "as packed"}
	}
	return verdict{Kind: "no", Text: "packed under " + strings.Join(b.Seals,
		", ") + ". Read again; if it is so, it is recorded and flagged"}
}

// release is the page on which boxes are given to the carrier, their seals read once more.
func (v *visit) release() error {
	f := v.form()
	all, seen, err := v.boxesAtHand()
	if err != nil {
		return err
	}
	f.Set("consignment", v.r.URL.Query().Get("consignment"))
	var waiting []Option
	for _, b := range all {
		if b.Consignment != "" && !slices.ContainsFunc(waiting, func(o Option) bool { return o.Value == b.Consignment }) {
			waiting = append(waiting, Option{Value: b.Consignment, Text: shortName(v.seat.Party, b.Consignment)})
		}
	}
	if len(waiting) > 0 {
		f.Set("consignment", waiting[0].Value)
	}
	rows := releaseRows(f, all)
	if v.posted() {
		body := v.released(f, rows)
		if f.Good() {
			name := body.GetConsignment()
			err := v.sign(f, "The release of "+shortName(v.seat.Party, body.GetConsignment())+" to "+body.GetToParty(), body)
			if err == nil {
				v.d.tell(flash{Kind: "notice", Text: "The papers of " + shortName(v.seat.Party, name) + ":", Links: []Option{
					{Value: "/papers/advice/" + name + ".pdf", Text: "Print the consignment advice"},
					{Value: "/papers/handed/" + name + ".pdf", Text: "Print the custody receipt"}}})
				return v.redirect("/goldroom")
			}
			if !f.refuse(err) {
				return err
			}
			f.aloud("consignment", "to_party", "accept_by", "transport")
		}
		v.status = 422
	}
	carriers, err := v.carrierOptions(Option{Text: "Choose who takes it"})
	if err != nil {
		return err
	}
	f.Set("to_party", v.carrierOf(f.Get("consignment")))
	return v.show("packing_release.html", "Release to the carrier", map[string]any{"Form": f, "Rows": rows, "Seen": seen,
		"Consignments": waiting, "Carriers": carriers, "Consignment": f.Get("consignment")})
}

func releaseRows(f *Form, all []boxAtHand) (rows []sealRow) {
	boxes, seals, gross := f.All("box"), f.All("seals"), f.All("gross")
	for _, b := range all {
		if b.Consignment == "" || b.Consignment != f.Get("consignment") {
			continue
		}
		row := sealRow{Box: b}
		if i := slices.Index(boxes, b.Name); i >= 0 {
			if i < len(seals) {
				row.Read = seals[i]
			}
			if i < len(gross) {
				row.Gross = gross[i]
			}
		}
		row.Verdict = sealVerdict(b, row.Read)
		if row.Gross != "" {
			if _, err := mass(row.Gross, "g"); err != nil {
				row.Verdict = verdict{Kind: "no", Text: grossWords(row.Gross, err)}
			}
		}
		rows = append(rows, row)
	}
	return rows
}

// grossWords says what is wrong with a gross mass, and where a seal that was scanned into it belongs.
func grossWords(text string, err error) string {
	if strings.Contains(text, ",") {
		return "Gross: " + strings.TrimSuffix(station.TextOf(err), ".")
	}
	return "Gross: " + refusal.Quote(text) + " is no mass. A seal goes into Seals"
}

// blameRow says what is wrong with an input of one box.
func (f *Form) blameRow(rows []sealRow, i int, name, text string) {
	rows[i].Bad, rows[i].Verdict = name, verdict{Kind: "no", Text: text}
	f.Blame(fmt.Sprintf("%s[%d]", name, i), text)
	f.Fault = "This cannot be signed yet; beside each place it says why."
}

// released makes the event of the form.
func (v *visit) released(f *Form, rows []sealRow) *pb.Released {
	body := &pb.Released{Consignment: f.need("consignment", "Choose the consignment."),
		ToParty: f.need("to_party", "Choose who takes it."), Transport: f.Get("transport")}
	if text := f.Get("accept_by"); text != "" {
		at, err := time.ParseInLocation("2006-01-02T15:04", text, time.Local)
		if err != nil {
			f.Blame("accept_by", "Write the day and the time, such as 2026-03-02T09:00.")
		} else {
			body.AcceptBy = at.Format(time.RFC3339)
		}
	}
	for i, row := range rows {
		reading := &pb.BoxReading{Box: row.Box.Name, Seals: severalOnce(row.Read)}
		if len(reading.Seals) == 0 {
			f.blameRow(rows, i, "seals", "Read the seals of box "+row.Box.Number+" before it leaves.")
		}
		if row.Gross != "" {
			m, err := mass(row.Gross, "g")
			if err != nil {
				f.blameRow(rows, i, "gross", grossWords(row.Gross, err))
			}
			reading.Gross = m.String()
		}
		body.Boxes = append(body.Boxes, reading)
	}
	if len(rows) == 0 && f.Fault == "" {
		f.Fault = "No box of that consignment lies here. Advise it first."
	}
	return body
}

// carrierOf is the carrier that a consignment was advised with.
func (v *visit) carrierOf(name string) string {
	if name == "" {
		return ""
	}
	if waiting, err := v.d.waitingEvents(); err == nil {
		for _, w := range waiting {
			if c := w.event.GetConsignmentAdvised(); v.seat.Party+"/"+c.GetConsignmentId() == name {
				return c.GetCarrier()
			}
		}
	}
	thing, _, err := v.get(pb.ThingKind_THING_KIND_CONSIGNMENT, name)
	if err != nil {
		return ""
	}
	return thing.GetConsignment().GetAdvised().GetCarrier()
}

// releaseLive answers while seals are read.
func (v *visit) releaseLive() error {
	f := v.form()
	all, _, err := v.boxesAtHand()
	if err != nil {
		return err
	}
	parts := map[string]template.HTML{"fault": ""} // what was wrong when it was to be signed may be right now
	for i, row := range releaseRows(f, all) {
		html, err := v.part("packing_release.html", "verdict", row.Verdict)
		if err != nil {
			return err
		}
		parts[fmt.Sprintf("verdict-%d", i)] = html
	}
	return v.answer(fresh{Parts: parts})
}

// notHere is the refusal of a page about something that this workstation does not know.
func notHere(what string) error {
	return refusal.New(refusal.NotFound, "NOT_HERE", "", "%s is not known on this workstation.", what)
}

package desk

import (
	"fmt"
	"html/template"
	"slices"
	"strings"

	"barward/client/station"
	"barward/internal/identity"
	pb "barward/proto/barward/v1"
)

// Whoever carries or keeps metal gives it on, and signs for that as the mine did: by their own reading of the seals.

// mayPassOn reports whether this person gives on what others packed. A refinery opens it.
func (v *visit) mayPassOn() bool {
	return v.seat.Kind != identity.Refinery && v.seat.May(identity.Released)
}

// handLine is a consignment of which boxes are in our hands.
type handLine struct {
	Consignment string
	Boxes       int
	Waits       bool // our acceptance waits to be sent
}

// boxesInHand lists what our party holds, by consignment.
func (v *visit) boxesInHand() (lines []handLine, seen Seen, err error) {
	boxes, seen, err := v.boxesToPassOn()
	if err != nil {
		return nil, seen, err
	}
	for _, b := range boxes {
		at := slices.IndexFunc(lines, func(l handLine) bool { return l.Consignment == b.Consignment })
		if at < 0 {
			at = len(lines)
			lines = append(lines, handLine{Consignment: b.Consignment})
		}
		lines[at].Boxes++
		lines[at].Waits = lines[at].Waits || b.Waits
	}
	return lines, seen, nil
}

// boxesToPassOn are the boxes that our party holds and has not released: by the record, and by what waits in the
// outbox.
func (v *visit) boxesToPassOn() ([]boxAtHand, Seen, error) {
	boxes, waiting, seen, err := v.boxesOnRecord()
	if err != nil {
		return nil, seen, err
	}
	boxes = slices.DeleteFunc(boxes, func(b boxAtHand) bool { return b.Consignment == "" })
	for _, w := range waiting { // in the order in which they were signed
		for _, b := range w.event.GetAccepted().GetBoxes() {
			boxes = append(boxes, boxAtHand{Name: b.GetBox(), Number: station.Short(b.GetBox()), Seals: b.GetSeals(),
				Consignment: w.event.GetAccepted().GetConsignment(), Waits: true})
		}
		for _, given := range w.event.GetReleased().GetBoxes() {
			boxes = slices.DeleteFunc(boxes, func(b boxAtHand) bool { return b.Name == given.GetBox() })
		}
	}
	return boxes, seen, nil
}

// passOnRows are the boxes of a consignment with their seals as typed, against those that were read last.
func passOnRows(f *Form, all []boxAtHand) []sealRow {
	rows := releaseRows(f, all)
	for i, row := range rows {
		if !strings.HasPrefix(row.Verdict.Text, "Gross:") {
			rows[i].Verdict = sealsFound(row.Box.Seals, several(row.Read), false)
		}
	}
	return rows
}

// bayRelease is the page on which boxes that we hold are given to the next party.
func (v *visit) bayRelease() error {
	if !v.mayPassOn() {
		return v.nowhere()
	}
	f := v.form()
	all, seen, err := v.boxesToPassOn()
	if err != nil {
		return err
	}
	f.Set("consignment", v.r.URL.Query().Get("consignment"))
	var held []Option
	for _, b := range all {
		if !slices.ContainsFunc(held, func(o Option) bool { return o.Value == b.Consignment }) {
			held = append(held, Option{Value: b.Consignment, Text: b.Consignment})
		}
	}
	if len(held) > 0 {
		f.Set("consignment", held[0].Value)
	}
	rows := passOnRows(f, all)
	if v.posted() {
		body := v.released(f, rows)
		if f.Good() {
			err := v.sign(f, "The release of "+body.GetConsignment()+" to "+body.GetToParty(), body)
			if err == nil {
				return v.redirect("/bay/consignment/" + body.GetConsignment())
			}
			if !f.refuse(err) {
				return err
			}
		}
		v.status = 422
	}
	takers, err := v.takersOf(f.Get("consignment"))
	if err != nil {
		return err
	}
	return v.show("bay_release.html", "Release to the next party", map[string]any{"Form": f, "Rows": rows, "Seen": seen,
		"Consignments": held, "Takers": takers})
}

// takersOf are the parties that may take a consignment next: its refinery first, then who carries or keeps.
func (v *visit) takersOf(consignment string) ([]Option, error) {
	options := []Option{{Text: "Choose who takes it"}}
	if consignment != "" {
		thing, _, err := v.get(pb.ThingKind_THING_KIND_CONSIGNMENT, consignment)
		if err != nil && !station.Unreachable(err) {
			return nil, err
		}
		if refiner := thing.GetConsignment().GetRefiner(); err == nil && refiner != "" {
			options = append(options, Option{Value: refiner, Text: refiner + ", its refinery"})
		}
	}
	for _, kind := range []string{"CARRIER", "VAULT"} {
		things, _, err := v.collect(pb.ThingKind_THING_KIND_PARTY, filterOf("kind", kind))
		if err != nil && !station.Unreachable(err) {
			return nil, err
		}
		for _, thing := range things {
			if p := thing.GetParty(); p.GetName() != v.seat.Party {
				options = append(options, Option{Value: p.GetName(), Text: p.GetDisplayName()})
			}
		}
	}
	return options, nil
}

// bayReleaseLive answers while seals are read.
func (v *visit) bayReleaseLive() error {
	f := v.form()
	all, _, err := v.boxesToPassOn()
	if err != nil {
		return err
	}
	parts := map[string]template.HTML{}
	for i, row := range passOnRows(f, all) {
		html, err := v.part("bay_release.html", "verdict", row.Verdict)
		if err != nil {
			return err
		}
		parts[fmt.Sprintf("verdict-%d", i)] = html
	}
	return v.answer(fresh{Parts: parts})
}

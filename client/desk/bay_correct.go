package desk

import (
	"strings"

	"github.com/google/uuid"

	"barward/client/outbox"
	"barward/client/station"
	"barward/internal/identity"
	"barward/internal/refusal"
	pb "barward/proto/barward/v1"
)

// A bar that was signed for wrongly is put right by a correction, which leaves both on record. One that still waits
// may have been sent already, so it is corrected once it is recorded; one that was refused was never recorded, and is
// simply scanned again.

// bayCorrect corrects a receipt of a bar that was signed at this workstation.
func (v *visit) bayCorrect() error {
	id, err := uuid.Parse(v.r.PathValue("event"))
	if err != nil {
		return v.nowhere()
	}
	item, found, err := v.d.find(id)
	if err != nil {
		return err
	}
	event := eventOf(item)
	old := event.GetBarReceived()
	if !found || old == nil {
		return refusal.New(refusal.NotFound, "RECEIPT_UNKNOWN", "", "This receipt of a bar is not in the outbox of this "+
			"workstation. It is corrected where it was signed, or by the command line: barward record correct.")
	}
	f := v.form()
	may := item.State == outbox.Recorded && v.seat.May(identity.Corrected) && v.seat.May(identity.BarReceived)
	if !v.posted() { // what was emptied on purpose stays empty
		f.Set("bar", painted(old.GetBar()))
		f.Set("box", painted(old.GetBox()))
		f.Set("readings", strings.Join(old.GetReadings(), ", "))
		f.Set("seals", strings.Join(old.GetSeals(), " "))
		f.Set("condition", old.GetCondition())
	}
	if v.posted() && may {
		body := &pb.Corrected{Reason: f.need("reason", "Say why, in a few words: what was misread, and how that was found."),
			Replacement: &pb.Corrected_BarReceived{BarReceived: v.corrected(f, old)}}
		if f.Good() {
			_, err := v.signAll(f, "The correction of "+station.Short(old.GetBar()), signing{body: body,
				supersedes: event.GetEventId(),
				place:      v.siteOf(old.GetBalance())})
			if err == nil {
				return v.redirect("/bay/consignment/" + old.GetConsignment())
			}
			if !f.refuse(err) {
				return err
			}
		}
		v.status = 422
	}
	return v.show("bay_correct.html", "Correct a receipt", map[string]any{"Form": f, "Old": old, "May": may,
		"State": item.State, "ID": id.String()})
}

// corrected makes what stands instead: as typed, on the same balance in the same air.
func (v *visit) corrected(f *Form, old *pb.BarReceived) *pb.BarReceived {
	now := &pb.BarReceived{Consignment: old.GetConsignment(), Balance: old.GetBalance(), Air: old.GetAir(),
		Condition: f.Get("condition"),
		Box:       station.Beside(old.GetConsignment(), f.need("box", "Give the box that the bar was in.")),
		Seals:     several(f.Get("seals")),
		Bar:       station.Beside(old.GetConsignment(), f.Get("bar"))}
	unit := ""
	if b := v.balanceKnown(old.GetBalance()); b != nil {
		unit = string(b.Readability.Unit())
	}
	for _, text := range strings.FieldsFunc(f.need("readings", "Give what the balance showed, at least twice."),
		func(r rune) bool { return r == ',' || r == ';' }) {
		m, err := mass(text, unit)
		if err != nil {
			f.Blame("readings", capital(station.TextOf(err)))
			continue
		}
		now.Readings = append(now.Readings, m.String())
	}
	return now
}

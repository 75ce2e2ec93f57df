package desk

import (
	"strconv"

	"github.com/google/uuid"

	"barward/client/outbox"
	"barward/client/station"
	"barward/internal/document"
	"barward/internal/identity"
	"barward/internal/refusal"
	pb "barward/proto/barward/v1"
)

// signTaken signs for the boxes that were read: by our own count and reading. What differs from what was given is for
// the record to flag.
func (v *visit) signTaken() error {
	s, err := v.lockShift()
	if err != nil {
		return err
	}
	from := s.keptShift
	var read []*pb.BoxReading
	taken, ok := s.reader.(*station.Take)
	if ok {
		read = taken.Readings()
	}
	s.mu.Unlock() // the answer of the service is not waited for with the shift held
	if !ok || !v.seat.May(identity.Accepted) {
		return v.nowhere()
	}
	f := v.form()
	f.Once = from.ID
	body := &pb.Accepted{Consignment: from.Consignment, FromParty: from.From, Boxes: read, Remarks: f.Get("remarks")}
	counted, err := strconv.ParseInt(f.need("count", "Count the boxes yourself and type how many there are."), 10, 32)
	switch {
	case f.Get("count") == "":
	case err != nil || counted < 0:
		f.Blame("count", "Type a whole number, such as 5.")
	}
	body.Count = int32(counted)
	if f.Good() {
		items, err := v.signAll(f, "The taking over of "+from.Consignment+" from "+from.From, signing{body: body})
		if err == nil && len(items) == 1 {
			return v.redirect("/bay/taken/" + items[0].ID.String())
		}
		if err != nil && !f.refuse(err) {
			return err
		}
	}
	v.status = 422
	return v.showShift(f)
}

// handOffEvent returns the acceptance of an event id of ours, with its receipt if it is recorded.
func (v *visit) handOffEvent(id string) (item outbox.Item, event *pb.Event, err error) {
	unknown := refusal.New(refusal.NotFound, "HANDOFF_UNKNOWN", "", "This taking over is not in the outbox of this "+
		"workstation.")
	parsed, err := uuid.Parse(id)
	if err != nil {
		return item, nil, unknown
	}
	item, found, err := v.d.find(parsed)
	if err != nil {
		return item, nil, err
	}
	if event = eventOf(item); !found || event.GetAccepted() == nil {
		return item, nil, unknown
	}
	return item, event, nil
}

// bayTaken says what became of a taking over, with its receipt to print.
func (v *visit) bayTaken() error {
	item, event, err := v.handOffEvent(v.r.PathValue("event"))
	if err != nil {
		return err
	}
	receipt := receiptOf(item)
	p := map[string]any{"Taken": event.GetAccepted(), "ID": item.ID.String(), "Waits": item.State == outbox.Waiting,
		"Recorded": receipt != nil,
		"Refused":  item.State == outbox.Refused, "Why": capital(item.Text), "Entry": receipt.GetSequence(),
		"May": v.bayMay()}
	var flags []string
	for _, d := range receipt.GetDiscrepancies() {
		flags = append(flags, capital(discrepancyWords(d)))
	}
	p["Flags"] = flags
	return v.show("bay_taken.html", "Taken over: "+event.GetAccepted().GetConsignment(), p)
}

// takenPaper is the custody receipt of a taking over that was signed here, by the id of its event. One that is not
// recorded yet is printed as provisional, because the driver waits for it.
func (v *visit) takenPaper(id string) ([]byte, error) {
	item, event, err := v.handOffEvent(id)
	if err != nil {
		return nil, err
	}
	if receipt := receiptOf(item); receipt != nil {
		return v.receiptPaper(strconv.FormatUint(receipt.GetSequence(), 10))
	}
	p, err := v.paperOn()
	if err != nil {
		return nil, err
	}
	p.Provisional = true
	return document.CustodyReceipt(p, nil, &pb.Entry{Event: event, Author: v.seat.Person}, nil)
}

package station

import (
	"context"
	"encoding/json"
	"fmt"
	"strings"

	"google.golang.org/protobuf/proto"

	"barward/client/outbox"
	"barward/internal/custody"
	"barward/internal/settlement"
	"barward/internal/weighing"
	pb "barward/proto/barward/v1"
)

// Door is what is advised of a consignment and what has come through the door so far. It is kept in home, so that
// scanning can begin and go on without a link. It is not safe for concurrent use: one pair of hands scans.
type Door struct {
	Consignment string              `json:"consignment"`
	Advised     []custody.Box       `json:"advised"`
	Seals       map[string][]string `json:"seals"` // on record, by box
	Scans       []custody.Scan      `json:"scans"`
	// Before holds the last standing weight before arrival, by bar, as far as it was told; Limit is what the agreement
	// permits a bar to differ from it by, nil where that is not known here.
	Before map[string]Before `json:"before,omitempty"`
	Limit  *weighing.Limit   `json:"limit,omitempty"`
	// Packed holds the seals that were put on, by box, as far as it was told; Seals is what was read off it last. Open
	// holds the discrepancies of the seals of a box that nobody decided yet, by name.
	Packed map[string][]string `json:"packed,omitempty"`
	Open   map[string][]string `json:"open,omitempty"`

	boxOf map[string]string // advised box of each bar
	found map[string]bool   // bars that came
	boxes map[string]bool
	left  int
}

// Before is a weight of a bar before it arrived.
type Before struct {
	Mass  string `json:"mass"`
	Stage string `json:"stage"` // where it was weighed: pour, release or transit
}

// UnmarshalJSON reads a door that was kept, and makes it ready to answer.
func (d *Door) UnmarshalJSON(text []byte) error {
	type plain Door
	if err := json.Unmarshal(text, (*plain)(d)); err != nil {
		return err
	}
	d.index()
	return nil
}

func doorFile(consignment string) string {
	return "arrivals/" + strings.ReplaceAll(consignment, "/", "+") + ".json"
}

// Door asks the service for a consignment, by its full name; where it does not answer, what was kept last stands, and
// Config.Say says so. What still waits in the outbox counts as come: the clerk scanned it.
func (s *Station) Door(ctx context.Context, consignment string) (*Door, error) {
	d, err := s.askDoor(ctx, consignment)
	if Unreachable(err) {
		d = &Door{}
		found, broken := s.home.ReadJSON(doorFile(consignment), d)
		if broken != nil {
			return nil, broken
		}
		if !found {
			return nil, err
		}
		s.config.Say("The service does not answer; the advice is as it was seen last.\n")
	} else if err != nil {
		return nil, err
	} else {
		d.index()
	}
	waiting, err := s.box.Waiting(outbox.MaxPage)
	if err != nil {
		return nil, err
	}
	for _, item := range waiting {
		event := &pb.Event{}
		if err := proto.Unmarshal(item.Signed.Event, event); err != nil {
			continue // the service will say what is wrong with it
		}
		if r := event.GetBarReceived(); r.GetConsignment() == consignment && !d.found[r.GetBar()] {
			d.came(r.GetBox(), r.GetBar())
		}
	}
	return d, s.KeepDoor(d)
}

// KeepDoor remembers in home how far the scanning got.
func (s *Station) KeepDoor(d *Door) error { return s.home.WriteJSON(doorFile(d.Consignment), d) }

func (s *Station) askDoor(ctx context.Context, consignment string) (*Door, error) {
	thing, err := s.Get(ctx, pb.ThingKind_THING_KIND_CONSIGNMENT, consignment)
	if err != nil {
		return nil, err
	}
	c := thing.GetConsignment()
	d := &Door{Consignment: consignment, Seals: map[string][]string{}, Packed: map[string][]string{},
		Open: map[string][]string{}}
	flagged := false
	advisedIn := map[string]string{}
	err = s.Walk(ctx, pb.ThingKind_THING_KIND_BOX, fmt.Sprintf("consignment = %q", consignment), func(t *pb.Thing) bool {
		b := t.GetBox()
		d.Advised = append(d.Advised, custody.Box{ID: b.GetName(), Bars: b.GetBars()})
		d.Seals[b.GetName()], d.Packed[b.GetName()] = b.GetSeals(), packedSeals(b.GetRoute())
		flagged = flagged || len(b.GetDiscrepancies()) > 0
		for _, bar := range b.GetBars() {
			advisedIn[bar] = b.GetName()
		}
		return true
	})
	if err != nil {
		return nil, err
	}
	for _, bar := range append(c.GetReceived(), c.GetExtra()...) {
		// In which box it was found, the bar itself tells; asking for each would take a call a bar. The advised one stands.
		d.Scans = append(d.Scans, custody.Scan{Box: advisedIn[bar], Bar: bar})
	}
	if flagged {
		if err := s.askOpen(ctx, d); err != nil {
			return nil, err
		}
	}
	return d, s.askWeights(ctx, d, c.GetAdvised().GetAgreement())
}

// askOpen asks which discrepancies of seals are open.
func (s *Station) askOpen(ctx context.Context, d *Door) error {
	filter := fmt.Sprintf(`consignment = %q AND kind = "SEAL" AND state = "OPEN"`, d.Consignment)
	return seldom(s.Walk(ctx, pb.ThingKind_THING_KIND_DISCREPANCY, filter, func(t *pb.Thing) bool {
		about := t.GetDiscrepancy().GetSubject()
		d.Open[about] = append(d.Open[about], t.GetDiscrepancy().GetName())
		return true
	}))
}

// askWeights asks what the bars weighed last and by how much they may differ from it. Who may not read one of the two
// scans without a verdict on the weight; the service has one.
func (s *Station) askWeights(ctx context.Context, d *Door, agreement string) error {
	d.Before = map[string]Before{}
	err := s.Walk(ctx, pb.ThingKind_THING_KIND_BAR, fmt.Sprintf("consignment = %q", d.Consignment),
		func(t *pb.Thing) bool {
			for _, w := range t.GetBar().GetWeights() {
				if w.GetStage() != pb.WeighingStage_WEIGHING_STAGE_ARRIVAL && w.GetSupersededBy() == 0 {
					d.Before[t.GetBar().GetName()] = Before{Mass: w.GetMass(),
						Stage: strings.ToLower(strings.TrimPrefix(w.GetStage().String(), "WEIGHING_STAGE_"))}
				}
			}
			return true
		})
	if err != nil || agreement == "" {
		return seldom(err)
	}
	signed, err := s.Get(ctx, pb.ThingKind_THING_KIND_AGREEMENT, agreement)
	if err != nil {
		return seldom(err)
	}
	terms, err := settlement.ParseTerms([]byte(signed.GetAgreement().GetTermsJson()))
	if err == nil && terms.Limits != nil {
		d.Limit = &terms.Limits.ArrivalBar
	}
	return nil
}

// seldom lets pass that something is not to be read here; that nothing can be asked, or not believed, it does not.
func seldom(err error) error {
	if Unreachable(err) || AsRefusal(err) == nil {
		return err
	}
	return nil
}

// NewDoor makes a door of an advice, of which nothing has come yet.
func NewDoor(consignment string, advised []custody.Box, seals map[string][]string) *Door {
	d := &Door{Consignment: consignment, Advised: advised, Seals: seals}
	d.index()
	return d
}

// index makes the look-ups that answer a scan at once.
func (d *Door) index() {
	d.boxOf, d.found, d.boxes, d.left = map[string]string{}, map[string]bool{}, map[string]bool{}, 0
	for _, box := range d.Advised {
		d.boxes[box.ID] = true
		for _, bar := range box.Bars {
			d.boxOf[bar] = box.ID
			d.left++
		}
	}
	scans := d.Scans
	d.Scans = nil
	for _, s := range scans {
		d.came(s.Box, s.Bar)
	}
}

// came counts a bar in; an unreadable one has no mark to count by.
func (d *Door) came(box, bar string) {
	d.Scans = append(d.Scans, custody.Scan{Box: box, Bar: bar})
	if bar == "" || d.found[bar] {
		return
	}
	d.found[bar] = true
	if _, advised := d.boxOf[bar]; advised {
		d.left--
	}
}

// Left is how many advised bars have not come yet.
func (d *Door) Left() int { return d.left }

// Came reports whether a bar, by its full name, came through the door.
func (d *Door) Came(bar string) bool { return d.found[bar] }

// Tally sets the advice against the scans, by the rules of its room.
func (d *Door) Tally() (custody.Arrival, error) {
	var scans []custody.Scan
	for _, s := range d.Scans {
		if s.Box != "" || s.Bar != "" {
			scans = append(scans, s)
		}
	}
	return custody.Tally(d.Advised, scans)
}

package desk

import "barward/internal/identity"

// startPage is what the start page shows: the rooms, and before the first pour what to do next.
type startPage struct {
	Rooms []room
	Guide []guideStep
	// Unwitnessed are pours that wait for a second person's signature.
	Unwitnessed []Option
	Known       bool
}

// guideStep is one step of the way from nothing to the first pour.
type guideStep struct {
	Text, Why, Path, Link string
	Done                  bool
}

// start shows the rooms. Where something is missing before the room's work can begin, it says what.
func (v *visit) start() error {
	p := startPage{Known: v.seat.Known()}
	for _, r := range rooms() {
		if r.open(v.seat) && r.Key != "" {
			p.Rooms = append(p.Rooms, r)
		}
	}
	if v.seat.May(identity.PourRecorded) {
		steps, err := v.pourGuide()
		if err != nil {
			return err
		}
		p.Guide = steps
	}
	unwitnessed, err := v.unwitnessed()
	if err != nil {
		return err
	}
	p.Unwitnessed = unwitnessed
	return v.show("start.html", "Start", p)
}

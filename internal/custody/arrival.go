package custody

import (
	"fmt"

	"barward/internal/refusal"
)

// Box is one box of a consignment advice, with the marks of its bars.
type Box struct {
	ID   string   `json:"id"`
	Bars []string `json:"bars"`
}

// Scan is one thing read at the door: a box alone, or a bar in a box (Box may be empty for a bar found loose).
type Scan struct {
	Box string `json:"box,omitempty"`
	Bar string `json:"bar,omitempty"`
}

// Moved is a bar found in another box than the one advised.
type Moved struct {
	Bar     string `json:"bar"`
	Advised string `json:"advised"`         // the box in the advice
	Found   string `json:"found,omitempty"` // the box it was found in, empty for none
}

// Arrival is an advice set against what was scanned so far. The lists are in the order of the advice or of the scans.
type Arrival struct {
	Boxes        int      `json:"boxes"` // advised
	Bars         int      `json:"bars"`  // advised
	MissingBoxes []string `json:"missing_boxes,omitempty"`
	MissingBars  []Scan   `json:"missing_bars,omitempty"`
	ExtraBoxes   []string `json:"extra_boxes,omitempty"`
	ExtraBars    []Scan   `json:"extra_bars,omitempty"`
	Misplaced    []Moved  `json:"misplaced,omitempty"` // counted as found
	Repeated     []Scan   `json:"repeated,omitempty"`  // scanned before; scanning twice is no second bar
}

// RemainingBoxes returns how many advised boxes have not been scanned.
func (a Arrival) RemainingBoxes() int { return len(a.MissingBoxes) }

// RemainingBars returns how many advised bars have not been scanned.
func (a Arrival) RemainingBars() int { return len(a.MissingBars) }

// Complete reports whether everything advised was scanned; there may be more than that (see ExtraBoxes, ExtraBars).
func (a Arrival) Complete() bool { return len(a.MissingBoxes) == 0 && len(a.MissingBars) == 0 }

// Clean reports whether exactly what was advised was scanned, each bar in its own box.
func (a Arrival) Clean() bool {
	return a.Complete() && len(a.ExtraBoxes) == 0 && len(a.ExtraBars) == 0 && len(a.Misplaced) == 0
}

// Tally sets an advice against what was scanned so far; call it again after each scan to know what remains. A scanned bar
// shows that its box is there as well. It refuses an advice that names a box or a bar twice or leaves one unnamed, and an
// empty scan.
func Tally(advised []Box, scanned []Scan) (Arrival, error) {
	if len(advised) > maxBoxes || len(scanned) > maxBars {
		return Arrival{}, refusal.New(refusal.Exhausted, "TALLY_TOO_LARGE", "",
			"%d boxes and %d scans are more than the %d and %d allowed; divide the consignment", len(advised), len(scanned), maxBoxes, maxBars)
	}
	var a Arrival
	boxOf, boxes := map[string]string{}, map[string]bool{}
	for i, box := range advised {
		if err := named(box.ID, boxes, fmt.Sprintf("advised[%d].id", i)); err != nil {
			return Arrival{}, err
		}
		boxes[box.ID] = true
		a.Boxes++
		for j, bar := range box.Bars {
			if err := named(bar, boxOf, fmt.Sprintf("advised[%d].bars[%d]", i, j)); err != nil {
				return Arrival{}, err
			}
			boxOf[bar] = box.ID
			a.Bars++
			if a.Bars > maxBars {
				return Arrival{}, refusal.New(refusal.Exhausted, "TALLY_TOO_LARGE", "advised",
					"the advice has more than the %d bars allowed; divide the consignment", maxBars)
			}
		}
	}
	seenBox, seenBar, seenScan := map[string]bool{}, map[string]bool{}, map[Scan]bool{}
	for i, s := range scanned {
		if s.Box == "" && s.Bar == "" {
			return Arrival{}, refusal.Invalidf("SCAN_EMPTY", fmt.Sprintf("scanned[%d]", i), "a scan has neither a box nor a bar; scan again")
		}
		if seenScan[s] || s.Bar != "" && seenBar[s.Bar] {
			a.Repeated = append(a.Repeated, s)
			continue
		}
		seenScan[s] = true
		if s.Box != "" && !seenBox[s.Box] {
			seenBox[s.Box] = true
			if !boxes[s.Box] {
				a.ExtraBoxes = append(a.ExtraBoxes, s.Box)
			}
		}
		if s.Bar == "" {
			continue
		}
		seenBar[s.Bar] = true
		switch box, ok := boxOf[s.Bar]; {
		case !ok:
			a.ExtraBars = append(a.ExtraBars, s)
		case box != s.Box:
			a.Misplaced = append(a.Misplaced, Moved{Bar: s.Bar, Advised: box, Found: s.Box})
		}
	}
	for _, box := range advised {
		if !seenBox[box.ID] {
			a.MissingBoxes = append(a.MissingBoxes, box.ID)
		}
		for _, bar := range box.Bars {
			if !seenBar[bar] {
				a.MissingBars = append(a.MissingBars, Scan{Box: box.ID, Bar: bar})
			}
		}
	}
	return a, nil
}

// named refuses an empty or repeated name.
func named[T any](name string, seen map[string]T, field string) error {
	if name == "" || len(name) > maxText {
		return refusal.Invalidf("NAME_MISSING", field, "a box or bar of the advice has a name of %d characters; give it 1 to %d", len(name), maxText)
	}
	if _, ok := seen[name]; ok {
		return refusal.Invalidf("NAME_REPEATED", field, "%q stands twice in the advice; each box and bar stands in it once", name).With("name", name)
	}
	return nil
}

package station

import (
	"fmt"
	"slices"
	"strings"

	"barward/internal/quantity"
	"barward/internal/weighing"
	pb "barward/proto/barward/v1"
)

// Scan is the state of one shift at the door: the box that is open, the bar on the balance. It turns a line, as a
// scanner or a hand types it, into verdicts and, when a bar is complete, its event. It opens nothing and sends
// nothing.
type Scan struct {
	Door    *Door
	Balance string            // full name of the balance the bars are weighed on
	Judge   *weighing.Balance // nil where it is not known here: then the service judges the readings
	Unit    string            // of readings that come without one: g, kg, mg or oz; empty: none is assumed
	Air     *pb.Air           // air at the balance, where it is measured

	box       string
	seals     []string
	condition string
	bar       *string // on the balance; empty where its mark cannot be read; nil where none is
	readings  []string
	apart     []string // the last readings that did not agree
	off       []string // what bars weighed differently beyond the limit, in words
}

// Sign is what a verdict means before it is read.
type Sign string

// The signs. They are read without colour, because not every eye or screen has it.
const (
	Good  Sign = "✓"
	Wrong Sign = "✗"
	Note  Sign = "·"
)

// Verdict is one answer at a glance: a sign, a word in capitals, then what it is about.
type Verdict struct {
	Sign Sign
	// Word is OK, BOX, SEAL, SEALS, WRONG BOX, NOT ADVISED, NO MARK, NO BOX, NO BAR, ALREADY, READING, READINGS,
	// CONDITION, NOTHING, UNKNOWN, NOT WEIGHED, WEIGHT or UNDONE.
	Word string
	Text string
	// Offer holds lines that may have been meant instead.
	Offer []string
}

// Glance makes a verdict.
func Glance(sign Sign, word, format string, args ...any) Verdict {
	return Verdict{Sign: sign, Word: word, Text: fmt.Sprintf(format, args...)}
}

// String is the verdict in one line.
func (v Verdict) String() string {
	return fmt.Sprintf("%s %-13s %s", v.Sign, v.Word, Printable(v.Text))
}

// Open returns the box that is open and its seals as read so far; empty before the first.
func (s *Scan) Open() (box string, seals []string) { return s.box, slices.Clone(s.seals) }

// OnBalance returns the bar on the balance and its readings so far, and false where there is none. The bar is
// empty where its mark cannot be read.
func (s *Scan) OnBalance() (bar string, readings []string, ok bool) {
	if s.bar == nil {
		return "", nil, false
	}
	return *s.bar, slices.Clone(s.readings), true
}

// Differ says which bars weigh more or less than before, beyond the limit, as they were scanned.
func (s *Scan) Differ() []string { return slices.Clone(s.off) }

// Line answers one line. It is a box number, with its seals behind it or on lines of their own, as they are scanned
// (seal SN-199 for one that is not on record); then a bar's mark, with its readings behind it or on lines of their own.
// Two readings that agree complete the bar, and its event is returned. Also: "?" for a mark that cannot be read,
// "! dented" for a condition, "extra MARK" for a bar that is not on the advice, "keep" to record readings that do not
// agree, "undo" for the last step, "stop" to end.
func (s *Scan) Line(text string) (answers []Verdict, event *pb.BarReceived, stop bool) {
	words := strings.Fields(text)
	if len(words) == 0 {
		return nil, nil, false
	}
	first, rest := words[0], words[1:]
	switch strings.ToLower(strings.TrimRight(first, ":")) {
	case "stop", "end":
		return s.leftOnBalance(), nil, true
	case "seal":
		return []Verdict{s.sealed(rest)}, nil, false
	case "!":
		s.condition = strings.Join(rest, " ")
		return one(Note, "CONDITION", "%s", s.condition), nil, false
	case "keep":
		if s.bar == nil || len(s.apart) == 0 {
			return one(Wrong, "NOTHING", "there are no readings to keep"), nil, false
		}
		answers, event := s.complete(s.apart)
		return answers, event, false
	case "undo":
		return []Verdict{s.undo()}, nil, false
	case "?":
		answers, event = s.scanned("", rest)
		return answers, event, false
	case "extra":
		if len(rest) == 0 {
			return one(Wrong, "NO MARK", "type extra and the mark"), nil, false
		}
		answers, event = s.scanned(s.Full(rest[0]), rest[1:])
		return answers, event, false
	}
	if seal, found := strings.CutPrefix(strings.ToUpper(first), "SEAL:"); found {
		return []Verdict{s.sealed(append([]string{seal}, rest...))}, nil, false
	}
	name := s.Full(first)
	switch _, advised := s.Door.boxOf[name]; {
	case s.Door.boxes[name]:
		return s.opened(name, rest), nil, false
	case advised || s.Door.found[name]:
		answers, event = s.scanned(name, rest)
		return answers, event, false
	}
	if readings, ok := s.masses(words); ok && s.bar != nil {
		answers, event := s.read(readings)
		return answers, event, false
	}
	if s.box != "" && s.Door.known(first) {
		return []Verdict{s.sealed(words)}, nil, false
	}
	if readings, ok := s.masses(rest); ok && len(readings) >= 2 || strings.Contains(first, "/") {
		answers, event = s.scanned(name, rest)
		return answers, event, false
	}
	if _, ok := s.masses(words); ok {
		return one(Wrong, "NO BAR",
			"%s is a weight, and no bar is on the balance; nothing recorded. Scan the bar's mark first",
			strings.Join(words, " ")), nil, false
	}
	offer, seal := []string{"extra " + first}, ""
	if s.box != "" {
		seal = fmt.Sprintf("If you read it off box %s: seal %s. ", Short(s.box), first)
		offer = slices.Insert(offer, 0, "seal "+first)
	}
	answers = one(Wrong, "UNKNOWN", "%q is no box and no bar of %s, and no seal on record; nothing recorded. "+
		"%sIf it is a bar: extra %s", first, s.Door.Consignment, seal, first)
	answers[0].Offer = offer
	return answers, nil, false
}

func one(sign Sign, word, format string, args ...any) []Verdict {
	return []Verdict{Glance(sign, word, format, args...)}
}

// Row is one checked row of a file of scans.
type Row struct {
	Box, Mark, Condition string // a Mark of ? cannot be read
	Seals, Readings      []string
}

// Row answers one row of a file.
func (s *Scan) Row(r Row) (Verdict, *pb.BarReceived) {
	if box := s.Full(r.Box); box != s.box {
		s.box, s.seals = box, nil
	}
	if len(r.Seals) > 0 {
		s.seals = r.Seals
	}
	s.condition = r.Condition
	mark := s.Full(r.Mark)
	if r.Mark == "?" {
		mark = ""
	}
	if mark != "" && s.Door.found[mark] {
		return already(mark), nil
	}
	s.bar = &mark
	answers, event := s.complete(r.Readings)
	return answers[0], event
}

// Full completes a number as scanned: the boxes and bars of a consignment are the consignor's.
func (s *Scan) Full(number string) string { return Beside(s.Door.Consignment, number) }

// Short is a name as it stands on the thing itself.
func Short(name string) string {
	if _, number, ok := strings.Cut(name, "/"); ok {
		return number
	}
	if name == "" {
		return "without a readable mark"
	}
	return name
}

func (s *Scan) opened(box string, seals []string) []Verdict {
	answers := s.leftOnBalance()
	s.box, s.seals, s.bar, s.readings, s.apart = box, nil, nil, nil, nil
	advised, left := 0, 0
	for _, b := range s.Door.Advised {
		if b.ID == box {
			advised = len(b.Bars)
			for _, bar := range b.Bars {
				if !s.Door.found[bar] {
					left++
				}
			}
		}
	}
	if len(seals) > 0 {
		return append(answers, s.sealed(seals))
	}
	return append(answers, Glance(Good, "BOX", "%s, %d of %d bars remain in it; seals to read off it: %d", Short(box),
		left, advised, len(s.Door.Seals[box])))
}

// sealed takes seals as read and compares them with the record at once; the service judges them when a bar is recorded.
func (s *Scan) sealed(seals []string) Verdict {
	if s.box == "" {
		return Glance(Wrong, "NO BOX", "scan the box before its seals")
	}
	for _, seal := range seals {
		if !slices.Contains(s.seals, seal) {
			s.seals = append(s.seals, seal)
		}
	}
	answer := sealsRead(s.box, s.Door.Seals[s.box], s.seals, seals)
	if differs := s.Door.DiffersFromPacking(s.box, s.seals); answer.Sign == Good && differs != "" {
		return Glance(Note, "SEAL", "box %s: %s", Short(s.box), differs)
	}
	return answer
}

// scanned takes a bar from the box to the balance.
func (s *Scan) scanned(bar string, rest []string) ([]Verdict, *pb.BarReceived) {
	if s.box == "" {
		return one(Wrong, "NO BOX", "scan the box before its bars; nothing recorded"), nil
	}
	if bar != "" && s.Door.found[bar] {
		return []Verdict{already(bar)}, nil
	}
	readings, ok := s.masses(rest)
	if !ok {
		return one(Wrong, "READING", "%q is no reading; write 12441.3 g, or name the unit with --unit",
			strings.Join(rest, " ")), nil
	}
	answers := s.leftOnBalance()
	s.bar, s.readings, s.apart = &bar, nil, nil
	unread := ""
	if !s.Door.emptied(s.box) {
		unread = notRead(s.box, s.Door.Seals[s.box], s.seals)
	}
	more, event := s.read(readings)
	if answers = append(answers, more...); unread != "" {
		answers = append(answers, Glance(Note, "SEAL",
			"box %s. Read them off the box; what was not read is signed as not read", unread))
	}
	return answers, event
}

func already(bar string) Verdict {
	return Glance(Note, "ALREADY", "bar %s was scanned before; nothing recorded", Short(bar))
}

// undo takes back the last step that nothing was signed of: a reading, then the bar on the balance, then a seal.
func (s *Scan) undo() Verdict {
	switch {
	case s.bar != nil && len(s.readings) > 0:
		last := s.readings[len(s.readings)-1]
		s.readings = s.readings[:len(s.readings)-1]
		return Glance(Note, "UNDONE", "the reading %s of bar %s; weigh it again", last, Short(*s.bar))
	case s.bar != nil:
		bar := *s.bar
		s.bar, s.apart = nil, nil
		return Glance(Note, "UNDONE", "bar %s is off the balance; nothing of it was recorded", Short(bar))
	case s.condition != "":
		s.condition = ""
		return Glance(Note, "UNDONE", "the condition of the next bar")
	case len(s.seals) > 0:
		last := len(s.seals) - 1
		seal := s.seals[last]
		s.seals = slices.Clone(s.seals[:last]) // those of an event stay
		return Glance(Note, "UNDONE", "seal %s of box %s; read it again", seal, Short(s.box))
	}
	return Glance(Note, "NOTHING", "what is signed is not undone here; it is put right by a correction")
}

// read takes readings of the bar on the balance.
func (s *Scan) read(readings []string) ([]Verdict, *pb.BarReceived) {
	for _, r := range readings {
		if s.Judge == nil {
			continue
		}
		if words, refused := Readable(s.Judge, []string{r, r}); refused {
			return one(Wrong, "READING", "%s", words), nil
		}
	}
	s.readings = append(s.readings, readings...)
	switch len(s.readings) {
	case 0:
		return []Verdict{s.verdict("weigh it twice")}, nil
	case 1:
		return []Verdict{s.verdict("once more")}, nil
	}
	if _, words := Judge(s.Judge, s.readings); words != "" {
		s.apart, s.readings = s.readings, nil
		return one(Wrong, "READINGS", "%s: weigh a fresh pair, or keep", words), nil
	}
	return s.complete(s.readings)
}

// complete makes the event of the bar on the balance and counts it in.
func (s *Scan) complete(readings []string) ([]Verdict, *pb.BarReceived) {
	event := &pb.BarReceived{Consignment: s.Door.Consignment, Box: s.box, Bar: *s.bar, Seals: s.seals, Balance: s.Balance,
		Readings: readings, Condition: s.condition, Air: s.Air}
	weight, _ := Judge(s.Judge, readings)
	s.Door.came(s.box, *s.bar)
	answers := []Verdict{s.verdict(fmt.Sprintf("%s, %d remain", weight.Mass, s.Door.left))}
	if verdict, known := s.Door.weighed(*s.bar, weight.Mass); known {
		if answers = append(answers, verdict); verdict.Sign == Wrong {
			difference, _, _ := strings.Cut(verdict.Text, ";")
			s.off = append(s.off, fmt.Sprintf("%s: %s", Short(*s.bar), difference))
		}
	}
	s.bar, s.readings, s.apart, s.condition = nil, nil, nil, ""
	return answers, event
}

// weighed sets a weight on arrival against the last one before, by the rules of the weighing room; false where that is
// not known here. Air buoyancy is left to the service, which knows both places.
func (d *Door) weighed(bar string, now quantity.Mass) (Verdict, bool) {
	before, known := d.Before[bar]
	if !known {
		return Verdict{}, false
	}
	mass, err := quantity.ParseMass(before.Mass)
	if err != nil {
		return Verdict{}, false
	}
	if d.Limit == nil {
		return Glance(Note, "WEIGHT", "it was %s at the %s; the limit is not known here, so the service judges", mass,
			before.Stage), true
	}
	c, err := weighing.Compare(weighing.Station{Name: "its weight at the " + before.Stage, Mass: mass},
		weighing.Station{Name: "its weight here", Mass: now}, *d.Limit, quantity.Decimal{})
	if err != nil {
		return Verdict{}, false
	}
	words, _, _ := strings.Cut(strings.TrimSuffix(c.Verdict, "."), ". ") // the sentence on the difference
	if !c.Within {
		return Glance(Wrong, "WEIGHT", "%s; recorded as read, and the service says what air explains of it", words), true
	}
	return Glance(Good, "WEIGHT", "%s", words), true
}

// verdict says at a glance how the bar on the balance stands against the advice.
func (s *Scan) verdict(then string) Verdict {
	bar := *s.bar
	box, advised := s.Door.boxOf[bar]
	switch {
	case bar == "":
		return Glance(Wrong, "NO MARK", "a bar of box %s whose mark cannot be read — %s", Short(s.box), then)
	case !advised:
		return Glance(Wrong, "NOT ADVISED", "bar %s, found in box %s — %s", Short(bar), Short(s.box), then)
	case box != s.box:
		return Glance(Wrong, "WRONG BOX", "bar %s was advised in box %s, found in %s — %s", Short(bar), Short(box),
			Short(s.box), then)
	}
	return Glance(Good, "OK", "bar %s in box %s — %s", Short(bar), Short(s.box), then)
}

// leftOnBalance says that a bar was left without its readings; it is not recorded.
func (s *Scan) leftOnBalance() []Verdict {
	if s.bar == nil {
		return nil
	}
	bar := *s.bar
	s.bar = nil
	return one(Wrong, "NOT WEIGHED", "bar %s was left without two readings that agree; it is not recorded", Short(bar))
}

// masses reads words as masses: 12441.3, 12441.3g or 12441.3 g. Without a unit a bare number is none.
func (s *Scan) masses(words []string) (readings []string, ok bool) {
	for i := 0; i < len(words); i++ {
		text := words[i]
		if _, err := quantity.ParseDecimal(text); err == nil && i+1 < len(words) {
			if full, err := MassOf(text+" "+words[i+1], ""); err == nil {
				readings = append(readings, full)
				i++
				continue
			}
		}
		full, err := MassOf(text, s.Unit)
		if err != nil {
			return nil, false
		}
		readings = append(readings, full)
	}
	return readings, true
}

package main

import (
	"fmt"
	"slices"
	"strings"

	"barward/internal/custody"
	"barward/internal/quantity"
	"barward/internal/weighing"
	pb "barward/proto/barward/v1"
)

// scan is the state of one shift at the door: the box that is open, the bar on the balance. It turns a line into an
// answer and, when a bar is complete, its event. It opens nothing and sends nothing.
type scan struct {
	door    *door
	balance string
	judge   *weighing.Balance // nil where it is not known here
	unit    string
	air     *pb.Air

	box       string
	seals     []string
	condition string
	bar       *string // on the balance; empty where its mark cannot be read; nil where none is
	readings  []string
	apart     []string // the last readings that did not agree
}

// glance is one answer: a symbol, a word in capitals, then what it is about. No colour, because not every eye or screen
// has it.
func glance(symbol, verdict, format string, args ...any) string {
	return fmt.Sprintf("%s %-13s %s", symbol, verdict, printable(fmt.Sprintf(format, args...)))
}

// line answers one line.
func (s *scan) line(text string) (reply string, event *pb.BarReceived, stop bool) {
	words := strings.Fields(text)
	if len(words) == 0 {
		return "", nil, false
	}
	first, rest := words[0], words[1:]
	switch strings.ToLower(strings.TrimRight(first, ":")) {
	case "stop", "end":
		return s.leftOnBalance(), nil, true
	case "seal":
		return s.sealed(rest), nil, false
	case "!":
		s.condition = strings.Join(rest, " ")
		return glance("·", "CONDITION", "%s", s.condition), nil, false
	case "keep":
		if s.bar == nil || len(s.apart) == 0 {
			return glance("✗", "NOTHING", "there are no readings to keep"), nil, false
		}
		reply, event = s.complete(s.apart)
		return reply, event, false
	case "?":
		reply, event = s.scanned("", rest)
		return reply, event, false
	case "extra":
		if len(rest) == 0 {
			return glance("✗", "NO MARK", "type extra and the mark"), nil, false
		}
		reply, event = s.scanned(s.full(rest[0]), rest[1:])
		return reply, event, false
	}
	if seal, found := strings.CutPrefix(strings.ToUpper(first), "SEAL:"); found {
		return s.sealed(append([]string{seal}, rest...)), nil, false
	}
	name := s.full(first)
	switch _, advised := s.door.boxOf[name]; {
	case s.door.boxes[name]:
		return s.opened(name, rest), nil, false
	case advised || s.door.found[name]:
		reply, event = s.scanned(name, rest)
		return reply, event, false
	}
	if readings, ok := s.masses(words); ok && s.bar != nil {
		reply, event = s.read(readings)
		return reply, event, false
	}
	if readings, ok := s.masses(rest); ok && len(readings) >= 2 || strings.Contains(first, "/") {
		reply, event = s.scanned(name, rest)
		return reply, event, false
	}
	if _, ok := s.masses(words); ok {
		return glance("✗", "NO BAR", "%s is a weight, and no bar is on the balance; nothing recorded. Scan the bar's mark first", strings.Join(words, " ")), nil, false
	}
	return glance("✗", "UNKNOWN", "%q is no box and no bar of %s; nothing recorded. If it is a bar: extra %s", first,
		s.door.Consignment, first), nil, false
}

// row answers one checked row of a file.
func (s *scan) row(r row) (string, *pb.BarReceived) {
	if box := s.full(r.cells["box"]); box != s.box {
		s.box, s.seals = box, nil
	}
	if seals := several(r.cells["seals"]); len(seals) > 0 {
		s.seals = seals
	}
	s.condition = r.cells["condition"]
	mark := s.full(r.cells["mark"])
	if r.cells["mark"] == "?" {
		mark = ""
	}
	if mark != "" && s.door.found[mark] {
		return already(mark), nil
	}
	s.bar = &mark
	return s.complete(r.readings)
}

// full completes a number as scanned: the boxes and bars of a consignment are the consignor's.
func (s *scan) full(number string) string { return beside(s.door.Consignment, number) }

// short is a name as it stands on the thing itself.
func short(name string) string {
	if _, number, ok := strings.Cut(name, "/"); ok {
		return number
	}
	if name == "" {
		return "without a readable mark"
	}
	return name
}

func (s *scan) opened(box string, seals []string) string {
	before := s.leftOnBalance()
	s.box, s.seals, s.bar, s.readings, s.apart = box, nil, nil, nil, nil
	advised, left := 0, 0
	for _, b := range s.door.Advised {
		if b.ID == box {
			advised = len(b.Bars)
			for _, bar := range b.Bars {
				if !s.door.found[bar] {
					left++
				}
			}
		}
	}
	reply := glance("✓", "BOX", "%s, %d of %d bars remain in it; seals on record %s", short(box), left, advised,
		strings.Join(s.door.Seals[box], " "))
	if len(seals) > 0 {
		reply = s.sealed(seals)
	}
	return strings.TrimPrefix(before+"\n"+reply, "\n")
}

// sealed takes seals as read and compares them with the record at once; the service judges them when a bar is recorded.
func (s *scan) sealed(seals []string) string {
	if s.box == "" {
		return glance("✗", "NO BOX", "scan the box before its seals")
	}
	for _, seal := range seals {
		if !slices.Contains(s.seals, seal) {
			s.seals = append(s.seals, seal)
		}
	}
	missing, unknown := custody.CompareSeals(s.door.Seals[s.box], s.seals)
	switch {
	case len(unknown) > 0:
		return glance("✗", "SEAL", "%s is not on record for box %s; on record %s", strings.Join(unknown, " "),
			short(s.box), strings.Join(s.door.Seals[s.box], " "))
	case len(missing) > 0:
		return glance("·", "SEAL", "%s agrees; box %s also has %s", strings.Join(s.seals, " "), short(s.box),
			strings.Join(missing, " "))
	}
	return glance("✓", "SEALS", "box %s, all %d agree", short(s.box), len(s.seals))
}

// scanned takes a bar from the box to the balance.
func (s *scan) scanned(bar string, rest []string) (string, *pb.BarReceived) {
	if s.box == "" {
		return glance("✗", "NO BOX", "scan the box before its bars; nothing recorded"), nil
	}
	if bar != "" && s.door.found[bar] {
		return already(bar), nil
	}
	readings, ok := s.masses(rest)
	if !ok {
		return glance("✗", "READING", "%q is no reading; write 12441.3 g, or name the unit with --unit",
			strings.Join(rest, " ")), nil
	}
	before := s.leftOnBalance()
	s.bar, s.readings, s.apart = &bar, nil, nil
	reply, event := s.read(readings)
	return strings.TrimPrefix(before+"\n"+reply, "\n"), event
}

func already(bar string) string {
	return glance("·", "ALREADY", "bar %s was scanned before; nothing recorded", short(bar))
}

// read takes readings of the bar on the balance.
func (s *scan) read(readings []string) (string, *pb.BarReceived) {
	for _, r := range readings {
		if s.judge == nil {
			continue
		}
		if words, refused := readable(s.judge, []string{r, r}); refused {
			return glance("✗", "READING", "%s", words), nil
		}
	}
	s.readings = append(s.readings, readings...)
	switch len(s.readings) {
	case 0:
		return s.verdict("weigh it twice"), nil
	case 1:
		return s.verdict("once more"), nil
	}
	if _, words := judge(s.judge, s.readings); words != "" {
		s.apart, s.readings = s.readings, nil
		return glance("✗", "READINGS", "%s: weigh a fresh pair, or keep", words), nil
	}
	return s.complete(s.readings)
}

// complete makes the event of the bar on the balance and counts it in.
func (s *scan) complete(readings []string) (string, *pb.BarReceived) {
	event := &pb.BarReceived{Consignment: s.door.Consignment, Box: s.box, Bar: *s.bar, Seals: s.seals, Balance: s.balance,
		Readings: readings, Condition: s.condition, Air: s.air}
	weight, _ := judge(s.judge, readings)
	s.door.came(s.box, *s.bar)
	reply := s.verdict(fmt.Sprintf("%s, %d remain", weight.Mass, s.door.left))
	s.bar, s.readings, s.apart, s.condition = nil, nil, nil, ""
	return reply, event
}

// verdict says at a glance how the bar on the balance stands against the advice.
func (s *scan) verdict(then string) string {
	bar := *s.bar
	box, advised := s.door.boxOf[bar]
	switch {
	case bar == "":
		return glance("✗", "NO MARK", "a bar of box %s whose mark cannot be read — %s", short(s.box), then)
	case !advised:
		return glance("✗", "NOT ADVISED", "bar %s, found in box %s — %s", short(bar), short(s.box), then)
	case box != s.box:
		return glance("✗", "WRONG BOX", "bar %s was advised in box %s, found in %s — %s", short(bar), short(box),
			short(s.box), then)
	}
	return glance("✓", "OK", "bar %s in box %s — %s", short(bar), short(s.box), then)
}

// leftOnBalance says that a bar was left without its readings; it is not recorded.
func (s *scan) leftOnBalance() string {
	if s.bar == nil {
		return ""
	}
	bar := *s.bar
	s.bar = nil
	return glance("✗", "NOT WEIGHED", "bar %s was left without two readings that agree; it is not recorded", short(bar))
}

// masses reads words as masses: 12441.3, 12441.3g or 12441.3 g. Without --unit a bare number is none.
func (s *scan) masses(words []string) (readings []string, ok bool) {
	for i := 0; i < len(words); i++ {
		text := words[i]
		if _, err := quantity.ParseDecimal(text); err == nil && i+1 < len(words) {
			if full, err := massOf(text+" "+words[i+1], ""); err == nil {
				readings = append(readings, full)
				i++
				continue
			}
		}
		full, err := massOf(text, s.unit)
		if err != nil {
			return nil, false
		}
		readings = append(readings, full)
	}
	return readings, true
}

// readable puts readings to the balance: refused is what it cannot have shown. Readings that disagree are not refused.
func readable(b *weighing.Balance, readings []string) (words string, refused bool) {
	var masses []quantity.Mass
	for _, r := range readings {
		m, err := quantity.ParseMass(r)
		if err != nil {
			return textOf(err), true
		}
		masses = append(masses, m)
	}
	if _, err := weighing.Read(*b, masses); err != nil {
		return textOf(err), true
	}
	return "", false
}

// textOf is what an error says, without its place and reason: a glance has no room for them.
func textOf(err error) string {
	if r := asRefusal(err); r != nil {
		return r.Text
	}
	return err.Error()
}

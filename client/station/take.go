package station

import (
	"context"
	"fmt"
	"slices"
	"strings"

	"google.golang.org/protobuf/proto"

	"barward/internal/refusal"
	pb "barward/proto/barward/v1"
)

// DueBox is a box that was released to our party and is to be taken over, with its seals on record.
type DueBox struct {
	Box   string   `json:"box"`
	Seals []string `json:"seals"`
}

// Due asks for the boxes of a consignment that a party gave to ours and that we have not accepted; and which party gave
// them. Where several did, it is the first one's. Reason: NOTHING_DUE.
func (s *Station) Due(ctx context.Context, consignment, us string) (from string, due []DueBox, err error) {
	filter := fmt.Sprintf("released_to = %q AND consignment = %q", us, consignment)
	err = s.Walk(ctx, pb.ThingKind_THING_KIND_BOX, filter, func(t *pb.Thing) bool {
		b := t.GetBox()
		if from == "" {
			from = b.GetHolder()
		}
		if b.GetHolder() == from {
			due = append(due, DueBox{Box: b.GetName(), Seals: b.GetSeals()})
		}
		return true
	})
	if err == nil && len(due) == 0 {
		err = refusal.New(refusal.Precondition, "NOTHING_DUE", "consignment",
			"no box of %s was released to %s and waits to be taken over; ask who holds it to sign its release", consignment, us)
	}
	return from, due, err
}

// Take is the taking over of boxes at the door, line by line as a scanner types them: a box, then its seals as they are
// read off it. It opens nothing and sends nothing; Readings is what its person signs.
type Take struct {
	Consignment string
	Due         []DueBox

	read []*pb.BoxReading // in the order in which they were read
	open int              // of read; meaningful where there is one
}

// Readings are the boxes as read so far.
func (t *Take) Readings() (read []*pb.BoxReading) {
	for _, r := range t.read {
		read = append(read, proto.CloneOf(r)) // what is signed is not what is read on
	}
	return read
}

// Open returns the box whose seals are being read; nil before the first.
func (t *Take) Open() *pb.BoxReading {
	if len(t.read) == 0 {
		return nil
	}
	return t.read[t.open]
}

// Left are the due boxes that were not read yet.
func (t *Take) Left() (left []string) {
	for _, d := range t.Due {
		if t.at(d.Box) < 0 {
			left = append(left, d.Box)
		}
	}
	return left
}

func (t *Take) at(box string) int {
	return slices.IndexFunc(t.read, func(r *pb.BoxReading) bool { return r.GetBox() == box })
}

// on returns the seals on record of a box.
func (t *Take) on(box string) (seals []string, due bool) {
	for _, d := range t.Due {
		if d.Box == box {
			return d.Seals, true
		}
	}
	return nil, false
}

// Line answers one line: a box with its seals behind it or on lines of their own; "! dented" for the condition of the
// box that is open, "gross 58610.4 g" for its mass, "undo" for the last step, "stop" to end. It never makes an event.
func (t *Take) Line(text string) (answers []Verdict, event *pb.BarReceived, stop bool) {
	words := strings.Fields(text)
	if len(words) == 0 {
		return nil, nil, false
	}
	first, rest := words[0], words[1:]
	switch strings.ToLower(strings.TrimRight(first, ":")) {
	case "stop", "end":
		return t.leftUnread(), nil, true
	case "undo":
		return []Verdict{t.undo()}, nil, false
	case "seal":
		return []Verdict{t.seals(rest)}, nil, false
	case "!", "gross":
		return []Verdict{t.note(strings.ToLower(first), strings.Join(rest, " "))}, nil, false
	}
	if seal, found := strings.CutPrefix(strings.ToUpper(first), "SEAL:"); found {
		return []Verdict{t.seals(append([]string{seal}, rest...))}, nil, false
	}
	box := Beside(t.Consignment, first)
	if _, due := t.on(box); due {
		return t.box(box, rest), nil, false
	}
	if len(t.read) == 0 {
		return one(Wrong, "UNKNOWN", "%q is no box of %s that is due here; nothing was taken. Scan a box first", first,
			t.Consignment), nil, false
	}
	return []Verdict{t.seals(words)}, nil, false
}

func (t *Take) box(box string, seals []string) (answers []Verdict) {
	if open := t.Open(); open != nil && open.GetBox() != box {
		if unread := t.notRead(open); unread != "" {
			answers = one(Note, "SEAL", "%s", unread)
		}
	}
	if at := t.at(box); at >= 0 {
		t.open = at
		if len(seals) > 0 {
			return append(answers, t.seals(seals))
		}
		return append(answers, Glance(Note, "ALREADY", "box %s was read before; its seals as read: %s", Short(box),
			strings.Join(t.read[at].GetSeals(), " ")))
	}
	t.read = append(t.read, &pb.BoxReading{Box: box})
	t.open = len(t.read) - 1
	if len(seals) > 0 {
		return append(answers, t.seals(seals))
	}
	on, _ := t.on(box)
	return append(answers, Glance(Good, "BOX", "%s is box %d of %d; seals to read off it: %d", Short(box), len(t.read),
		len(t.Due), len(on)))
}

func (t *Take) notRead(r *pb.BoxReading) string {
	on, _ := t.on(r.GetBox())
	return notRead(r.GetBox(), on, r.GetSeals())
}

// Unread says of each box that was read and left how many of its seals were not; the open one is not left yet.
func (t *Take) Unread() (words []string) {
	for i, r := range t.read {
		if unread := t.notRead(r); unread != "" && i != t.open {
			words = append(words, unread)
		}
	}
	return words
}

// leftUnread is Unread at the end, when the open box is left too.
func (t *Take) leftUnread() (answers []Verdict) {
	for _, r := range t.read {
		if unread := t.notRead(r); unread != "" {
			answers = append(answers, Glance(Note, "SEAL", "%s", unread))
		}
	}
	return answers
}

// seals takes seals as read of the open box and sets them against the record.
func (t *Take) seals(read []string) Verdict {
	open := t.Open()
	if open == nil {
		return Glance(Wrong, "NO BOX", "scan the box before its seals")
	}
	for _, seal := range read {
		if !slices.Contains(open.Seals, seal) {
			open.Seals = append(open.Seals, seal)
		}
	}
	on, _ := t.on(open.GetBox())
	answer := sealsRead(open.GetBox(), on, open.GetSeals(), read)
	if answer.Sign == Good {
		answer.Text += fmt.Sprintf("; boxes that remain: %d", len(t.Left()))
	}
	return answer
}

func (t *Take) note(what, text string) Verdict {
	open := t.Open()
	if open == nil {
		return Glance(Wrong, "NO BOX", "scan the box first")
	}
	if what == "!" {
		open.Condition = text
		return Glance(Note, "CONDITION", "box %s: %s", Short(open.GetBox()), text)
	}
	mass, err := MassOf(text, "")
	if err != nil {
		return Glance(Wrong, "READING", "%q is no mass; write gross 58610.4 g", text)
	}
	open.Gross = mass
	return Glance(Note, "READING", "box %s weighs %s", Short(open.GetBox()), mass)
}

// undo takes back the last seal of the open box, or the box where it has none.
func (t *Take) undo() Verdict {
	open := t.Open()
	switch {
	case open == nil:
		return Glance(Note, "NOTHING", "no box was read yet")
	case len(open.GetSeals()) > 0:
		last := len(open.Seals) - 1
		seal := open.Seals[last]
		open.Seals = open.Seals[:last]
		return Glance(Note, "UNDONE", "seal %s of box %s; read it again", seal, Short(open.GetBox()))
	}
	t.read = slices.Delete(t.read, t.open, t.open+1)
	t.open = max(0, len(t.read)-1)
	return Glance(Note, "UNDONE", "box %s; it counts as not read", Short(open.GetBox()))
}

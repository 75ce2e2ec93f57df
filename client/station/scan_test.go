package station

import (
	"strings"
	"testing"

	"barward/internal/custody"
	"barward/internal/quantity"
	"barward/internal/weighing"
	pb "barward/proto/barward/v1"
)

// benchBalance shows 0.1 g and accepts readings 0.2 g apart; its figures are invented.
func benchBalance() *weighing.Balance {
	return &weighing.Balance{Class: weighing.ClassII, Capacity: quantity.MustMass("32000 g"),
		Readability: quantity.MustMass("0.1 g"),
		Interval:    quantity.MustMass("1 g"), Repeatability: quantity.MustMass("0.2 g"), CheckEvery: 1}
}

func newScan() *Scan {
	d := NewDoor("ottermere/C-7",
		[]custody.Box{{ID: "ottermere/B-1", Bars: []string{"ottermere/Q-1", "ottermere/Q-2"}},
			{ID: "ottermere/B-2", Bars: []string{"ottermere/Q-3"}}},
		map[string][]string{"ottermere/B-1": {"SN-1", "SN-2"}, "ottermere/B-2": {"SN-3"}})
	return &Scan{Door: d, Balance: "quillhaven/W2", Judge: benchBalance(), Unit: "g"}
}

// One shift at the door, line by line: what is typed, what is answered, what is recorded.
func TestScanLines(t *testing.T) {
	s := newScan()
	for i, step := range []struct {
		line, answer string
		recorded     string // bar and box; empty: nothing recorded
	}{
		{"Q-1 12441.3 12441.4", "✗ NO BOX        scan the box before its bars; nothing recorded", ""},
		{"B-1", "✓ BOX           B-1, 2 of 2 bars remain in it; seals to read off it: 2", ""},
		{"SN-1", "· SEAL          SN-1 agrees; box B-1 has 1 more", ""},
		{"SN-9", `✗ UNKNOWN       "SN-9" is no box and no bar of ottermere/C-7, and no seal on record; nothing recorded. ` +
			"If you read it off box B-1: seal SN-9. If it is a bar: extra SN-9", ""},
		{"seal SN-9", "✗ SEAL          SN-9 is no seal on record of box B-1; box B-1 has 1 more. If it is what you read", ""},
		{"SN-2", "· SEAL          SN-2 agrees; SN-9 is still extra on box B-1", ""},
		{"undo", "· UNDONE        seal SN-2 of box B-1; read it again", ""},
		{"undo", "· UNDONE        seal SN-9 of box B-1", ""},
		{"seal", "✗ SEAL          type seal and its number", ""},
		{"SN-3", "✗ SEAL          SN-3 is no seal on record of box B-1", ""}, // it is box B-2's
		{"undo", "· UNDONE        seal SN-3", ""},
		{"SEAL:SN-2", "✓ SEALS         box B-1, all 2 agree", ""},
		{"Q-1 12441.3 12441.4", "✓ OK            bar Q-1 in box B-1 — 12441.4 g, 2 remain", "ottermere/Q-1 ottermere/B-1"},
		{"Q-1", "· ALREADY       bar Q-1 was scanned before; nothing recorded", ""},
		{"", "", ""},
		{"Q-77", `✗ UNKNOWN       "Q-77" is no box and no bar of ottermere/C-7, and no seal on record; nothing recorded. ` +
			"If you read it off box B-1: seal Q-77. If it is a bar: extra Q-77", ""},
		{"Q-2", "✓ OK            bar Q-2 in box B-1 — weigh it twice", ""},
		{"20000.0 g", "✓ OK            bar Q-2 in box B-1 — once more", ""},
		{"20000.3", "✗ READINGS      the readings are 0.3 g apart, above the repeatability of 0.2 g: weigh a fresh pair, or keep", ""},
		{"20000.15 20000.2", "✗ READING       a reading of 20000.15 g is finer than this balance shows", ""},
		{"20000.0 20000.2", "✓ OK            bar Q-2 in box B-1 — 20000.1 g, 1 remain", "ottermere/Q-2 ottermere/B-1"},
		{"20000.0", `✗ NO BAR        20000.0 is a weight`, ""},
		{"extra Q-77 100.0 100.0", "✗ NOT ADVISED   bar Q-77, found in box B-1 — 100.0 g, 1 remain",
			"ottermere/Q-77 ottermere/B-1"},
		{"zebra/Z-1 100.0 100.0", "✗ NOT ADVISED   bar Z-1, found in box B-1", "zebra/Z-1 ottermere/B-1"},
		{"Q-3 13000.0 13000.1", "✗ WRONG BOX     bar Q-3 was advised in box B-2, found in B-1 — 13000.0 g, 0 remain",
			"ottermere/Q-3 ottermere/B-1"},
		{"! dented at one end", "· CONDITION     dented at one end", ""},
		{"? 500.0 500.0", "✗ NO MARK       a bar of box B-1 whose mark cannot be read — 500.0 g, 0 remain",
			" ottermere/B-1"},
		{"B-2 SN-9", "✗ SEAL          SN-9 is no seal on record of box B-2; box B-2 has 1 more", ""},
		{"keep", "✗ NOTHING", ""},
		{"extra Q-78 99.0 99.9", "✗ READINGS      the readings are 0.9 g apart", ""},
		{"keep", "✗ NOT ADVISED   bar Q-78, found in box B-2", "ottermere/Q-78 ottermere/B-2"},
		{"extra Q-79", "✗ NOT ADVISED   bar Q-79, found in box B-2 — weigh it twice", ""},
		{"stop", "✗ NOT WEIGHED   bar Q-79 was left without two readings that agree; it is not recorded", ""},
	} {
		answer, event, stop := typed(s, step.line)
		if !strings.HasPrefix(answer, step.answer) || step.answer == "" && answer != "" {
			t.Errorf("%d %q: answered %q, want %q", i, step.line, answer, step.answer)
		}
		if strings.Contains(answer, "\n") && !strings.Contains(answer, "\n· SEAL          box B-2: 1 seal not read") {
			t.Errorf("%q has more than one line of answer: %q", step.line, answer)
		}
		got := ""
		if event != nil {
			got = event.GetBar() + " " + event.GetBox()
		}
		if got != step.recorded {
			t.Errorf("%d %q: recorded %q, want %q", i, step.line, got, step.recorded)
		}
		if stop != (step.line == "stop") {
			t.Errorf("%q: stop %v", step.line, stop)
		}
		if strings.HasPrefix(step.line,
			"? ") && (event.GetCondition() != "dented at one end" || strings.Join(event.GetSeals(), " ") != "SN-1 SN-2") {
			t.Errorf("condition %q, seals %v", event.GetCondition(), event.GetSeals())
		}
	}
	arrival, err := s.Door.Tally()
	if err != nil || !arrival.Complete() || arrival.Clean() || len(arrival.ExtraBars) != 3 || len(arrival.Misplaced) != 1 {
		t.Errorf("tally %+v, %v", arrival, err)
	}
}

// The scanner types seals as it types everything, one a line; a number that is a seal is one until a bar is on the
// balance, when it may be a weight. A bar out of a box whose seals nobody read is worth a look. Seals that agree with
// the last hand-off and not with the packing do not pass for good.
func TestScanReadsSeals(t *testing.T) {
	s := newScan()
	s.Door.Seals = map[string][]string{"ottermere/B-1": {"10001", "10002"}, "ottermere/B-2": {"SN-3"}}
	s.Door.Packed = map[string][]string{"ottermere/B-1": {"10001", "10002"}, "ottermere/B-2": {"SN-4"}}
	s.Door.Open = map[string][]string{"ottermere/B-2": {"d118.1"}}
	for i, step := range []struct{ line, answer, last string }{
		{"10001", "✗ NO BAR", ""},
		{"B-1", "✓ BOX", ""},
		{"Q-1", "✓ OK", "· SEAL          box B-1: 2 seals not read. Read them off the box"},
		{"undo", "· UNDONE        bar Q-1", ""},
		{"10002", "· SEAL          10002 agrees; box B-1 has 1 more", ""},
		{"Q-1", "✓ OK", "· SEAL          box B-1: 1 seal not read"},
		{"10001", "✓ OK            bar Q-1 in box B-1 — once more", ""},
		{"10001.0", "✓ OK            bar Q-1 in box B-1 — 10001.0 g, 2 remain", ""},
		{"10001", "✓ SEALS         box B-1, all 2 agree", ""},
		{"Q-2", "✓ OK", "✓ OK"},
		{"B-2", "✗ NOT WEIGHED", "✓ BOX"},
		{"SN-3", "· SEAL          box B-2: its seal agrees with the taking over, not with the packing; d118.1 is open", ""},
	} {
		answer, _, _ := typed(s, step.line)
		last := answer[strings.LastIndex(answer, "\n")+1:]
		if !strings.HasPrefix(answer, step.answer) || !strings.HasPrefix(last, step.last) {
			t.Errorf("%d %q: answered\n%s\nwant %q, the last %q", i, step.line, answer, step.answer, step.last)
		}
	}
}

// The seals of the packing, less what was taken off, more what replaced it; a reading on the way is neither.
func TestPackedSeals(t *testing.T) {
	got := packedSeals([]*pb.RouteStep{{Action: "packed", Seals: []string{"SN-1", "SN-2"}},
		{Action: "accepted", Seals: []string{"SN-1", "SN-8"}},
		{Action: "seal_replaced", Seals: []string{"SN-3"}, Note: "SN-1 taken off: torn"}})
	if strings.Join(got, " ") != "SN-2 SN-3" {
		t.Errorf("%q", got)
	}
}

// A bar that was begun and left is said to be left, in the answer to what came next.
func TestScanLeftOnBalance(t *testing.T) {
	s := newScan()
	s.Line("B-1")
	s.Line("Q-1 100.0")
	answer, event, _ := typed(s, "Q-2 100.0 100.0")
	if want := "✗ NOT WEIGHED   bar Q-1 was left"; !strings.HasPrefix(answer, want) || !strings.Contains(answer,
		"\n✓ OK            bar Q-2") || event.GetBar() != "ottermere/Q-2" {
		t.Errorf("answered %q, recorded %v", answer, event)
	}
	if s.Door.Came("ottermere/Q-1") {
		t.Error("a bar that was not weighed counts as come")
	}
}

// A bare number is no mass without a named unit.
func TestScanWithoutUnit(t *testing.T) {
	s := newScan()
	s.Unit, s.Judge = "", nil
	s.Line("B-1")
	if answer, event, _ := typed(s, "Q-1 100.0 100.0"); event != nil || !strings.HasPrefix(answer, "✗ READING") {
		t.Errorf("%q, %v", answer, event)
	}
	if _, event, _ := typed(s, "Q-1 100.0 g 0.1 kg"); event == nil || strings.Join(event.GetReadings(),
		"; ") != "100.0 g; 0.1 kg" {
		t.Errorf("recorded %v", event)
	}
}

// typed answers one line, as a person sees it.
func typed(s *Scan, line string) (string, *pb.BarReceived, bool) {
	answers, event, stop := s.Line(line)
	var lines []string
	for _, answer := range answers {
		lines = append(lines, answer.String())
	}
	return strings.Join(lines, "\n"), event, stop
}

// Whatever is typed at the door, nothing panics, nothing is recorded twice, and nothing without an open box.
func FuzzScan(f *testing.F) {
	f.Add("B-1 SN-1\nQ-1 100.0 100.0\nQ-2\n1.0 g\n1.0\nkeep\nstop")
	f.Add("seal\nextra\n?\n? 1.0 1.0\n!\nB-2\nextra x 1.0 9.0\nkeep\nkeep")
	f.Fuzz(func(t *testing.T, shift string) {
		s := newScan()
		bars := map[string]bool{}
		for _, text := range strings.Split(shift, "\n") {
			answer, event, _ := typed(s, text)
			if strings.TrimSpace(text) != "" && answer == "" && strings.ToLower(strings.TrimRight(strings.Fields(text)[0], ":")) != "stop" && strings.ToLower(strings.TrimRight(strings.Fields(text)[0], ":")) != "end" {
				t.Fatalf("%q was not answered", text)
			}
			if event == nil {
				continue
			}
			if event.GetBox() == "" || len(event.GetReadings()) < 2 || event.GetBar() != "" && bars[event.GetBar()] {
				t.Fatalf("%q recorded %v", text, event)
			}
			bars[event.GetBar()] = true
		}
		if _, err := s.Door.Tally(); err != nil {
			t.Fatal(err)
		}
	})
}

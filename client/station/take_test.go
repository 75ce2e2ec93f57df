package station

import (
	"encoding/json"
	"strings"
	"testing"

	"google.golang.org/protobuf/proto"

	"barward/internal/quantity"
	"barward/internal/weighing"
	pb "barward/proto/barward/v1"
)

// Boxes are taken over line by line: what is scanned, what is answered, what is signed in the end. The words are ours;
// that a seal is compared as read and a box counted once is what package custody is tested for.
func TestTakeLines(t *testing.T) {
	s := &Take{Consignment: "ottermere/C-7", Due: []DueBox{{Box: "ottermere/B-1", Seals: []string{"SN-1", "SN-2"}},
		{Box: "ottermere/B-2", Seals: []string{"SN-3"}}}}
	for i, step := range []struct{ line, answer string }{
		{"SN-1", `✗ UNKNOWN       "SN-1" is no box of ottermere/C-7 that is due here; nothing was taken`},
		{"seal SN-1", "✗ NO BOX"},
		{"! dented", "✗ NO BOX"},
		{"undo", "· NOTHING"},
		{"", ""},
		{"B-1", "✓ BOX           B-1 is box 1 of 2; seals to read off it: 2"},
		{"SN-2", "· SEAL          SN-2 agrees; box B-1 has 1 more"},
		{"seal SN-1", "✓ SEALS         box B-1, all 2 agree; boxes that remain: 1"},
		{"B-1", "· ALREADY       box B-1 was read before; its seals as read: SN-2 SN-1"},
		{"B-2 SN-9", "✗ SEAL          SN-9 is no seal on record of box B-2; box B-2 has 1 more. If it is what you read, go on"},
		{"SN-3", "· SEAL          SN-3 agrees; SN-9 is still extra on box B-2"},
		{"undo", "· UNDONE        seal SN-3 of box B-2"},
		{"undo", "· UNDONE        seal SN-9 of box B-2"},
		{"B-1", "· SEAL          B-2: 1 seal not read\n· ALREADY       box B-1 was read before"},
		{"B-2", "· ALREADY       box B-2"},
		{"undo", "· UNDONE        box B-2; it counts as not read"},
		{"ottermere/B-2", "✓ BOX           B-2 is box 2 of 2"},
		{"SN-9", "✗ SEAL          SN-9 is no seal on record"},
		{"! lid bent", "· CONDITION     box B-2: lid bent"},
		{"gross 58610.4", "✗ READING"},
		{"gross 58610.4 g", "· READING       box B-2 weighs 58610.4 g"},
	} {
		answers, event, stop := s.Line(step.line)
		var lines []string
		for _, a := range answers {
			lines = append(lines, a.String())
		}
		if got := strings.Join(lines, "\n"); !strings.HasPrefix(got, step.answer) || step.answer == "" && got != "" {
			t.Errorf("%d %q: answered %q, want %q", i, step.line, got, step.answer)
		}
		if event != nil || stop {
			t.Errorf("%q: event %v, stop %v", step.line, event, stop)
		}
	}
	if left := s.Left(); len(left) != 0 {
		t.Errorf("left: %q", left)
	}
	want := []*pb.BoxReading{{Box: "ottermere/B-1", Seals: []string{"SN-2", "SN-1"}},
		{Box: "ottermere/B-2", Seals: []string{"SN-9"}, Condition: "lid bent", Gross: "58610.4 g"}}
	for i, r := range s.Readings() {
		if !proto.Equal(r, want[i]) {
			t.Errorf("box %d is read as %v, want %v", i, r, want[i])
		}
	}
	if words := s.Unread(); len(words) != 0 { // B-2 is open still
		t.Errorf("left unread: %q", words)
	}
	if left, _, stop := s.Line("stop"); !stop || len(left) != 1 || left[0].Text != "B-2: 1 seal not read" {
		t.Errorf("at the end: %v, stop %v", left, stop)
	}
}

// A weight on arrival is set against the last one before, and the last step is undone as long as it is not signed. By
// hand: 12441.4 g less 12441.0 g is 0.4 g, 12440.0 g less 12441.0 g is 1.0 g; the limit is 0.5 g.
func TestScanWeighsAndUndoes(t *testing.T) {
	s := newScan()
	s.Door.Limit = &weighing.Limit{Absolute: quantity.MustMass("0.5 g"), Rule: weighing.Larger}
	s.Door.Before = map[string]Before{"ottermere/Q-1": {Mass: "12441.0 g", Stage: "pour"},
		"ottermere/Q-2": {Mass: "12441.0 g", Stage: "release"}}
	kept, err := json.Marshal(s.Door)
	if err != nil {
		t.Fatal(err)
	}
	for i, step := range []struct{ line, answer string }{
		{"undo", "· NOTHING"},
		{"B-1 SN-1", "· SEAL"},
		{"undo", "· UNDONE        seal SN-1 of box B-1; read it again"},
		{"Q-1", "✓ OK            bar Q-1 in box B-1 — weigh it twice"},
		{"12440.0", "✓ OK            bar Q-1 in box B-1 — once more"},
		{"undo", "· UNDONE        the reading 12440.0 g of bar Q-1; weigh it again"},
		{"undo", "· UNDONE        bar Q-1 is off the balance; nothing of it was recorded"},
		{"Q-1 12441.4 12441.4", "✓ OK            bar Q-1 in box B-1 — 12441.4 g, 2 remain\n" +
			"✓ WEIGHT        Its weight here is 0.4 g heavier than its weight at the pour, within the limit of 0.5 g"},
		{"Q-2 12440.0 12440.0", "✓ OK            bar Q-2 in box B-1 — 12440.0 g, 1 remain\n" +
			"✗ WEIGHT        Its weight here is 1.0 g lighter than its weight at the release, beyond the limit of 0.5 g; " +
			"recorded"},
		{"undo", "· NOTHING       what is signed is not undone here"},
	} {
		answers, _, _ := s.Line(step.line)
		var lines []string
		for _, a := range answers {
			lines = append(lines, a.String())
		}
		if got := strings.Join(lines, "\n"); !strings.HasPrefix(got, step.answer) {
			t.Errorf("%d %q: answered\n%s\nwant\n%s", i, step.line, got, step.answer)
		}
	}
	if off := strings.Join(s.Differ(), "; "); off != "Q-2: Its weight here is 1.0 g lighter than its weight at the "+
		"release, beyond the limit of 0.5 g" {
		t.Errorf("differs: %q", off)
	}
	again := &Door{}
	if err := json.Unmarshal(kept, again); err != nil {
		t.Fatal(err)
	}
	if again.Left() != 3 || again.Limit == nil || again.Before["ottermere/Q-1"].Mass != "12441.0 g" {
		t.Errorf("a door that was kept comes back as %+v", again)
	}
}

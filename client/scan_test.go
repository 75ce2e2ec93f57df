package main

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

func newScan() *scan {
	d := &door{Consignment: "ottermere/C-7",
		Advised: []custody.Box{{ID: "ottermere/B-1", Bars: []string{"ottermere/Q-1", "ottermere/Q-2"}},
			{ID: "ottermere/B-2", Bars: []string{"ottermere/Q-3"}}},
		Seals: map[string][]string{"ottermere/B-1": {"SN-1", "SN-2"}, "ottermere/B-2": {"SN-3"}}}
	d.index()
	return &scan{door: d, balance: "quillhaven/W2", judge: benchBalance(), unit: "g"}
}

// One shift at the door, line by line: what is typed, what is answered, what is recorded.
func TestScanLines(t *testing.T) {
	s := newScan()
	for i, step := range []struct {
		line, answer string
		recorded     string // bar and box; empty: nothing recorded
	}{
		{"Q-1 12441.3 12441.4", "✗ NO BOX        scan the box before its bars; nothing recorded", ""},
		{"B-1", "✓ BOX           B-1, 2 of 2 bars remain in it; seals on record SN-1 SN-2", ""},
		{"seal SN-1", "· SEAL          SN-1 agrees; box B-1 also has SN-2", ""},
		{"SEAL:SN-2", "✓ SEALS         box B-1, all 2 agree", ""},
		{"Q-1 12441.3 12441.4", "✓ OK            bar Q-1 in box B-1 — 12441.4 g, 2 remain", "ottermere/Q-1 ottermere/B-1"},
		{"Q-1", "· ALREADY       bar Q-1 was scanned before; nothing recorded", ""},
		{"", "", ""},
		{"Q-77", `✗ UNKNOWN       "Q-77" is no box and no bar of ottermere/C-7; nothing recorded. If it is a bar: extra Q-77`, ""},
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
		{"B-2 SN-9", "✗ SEAL          SN-9 is not on record for box B-2; on record SN-3", ""},
		{"keep", "✗ NOTHING", ""},
		{"extra Q-78 99.0 99.9", "✗ READINGS      the readings are 0.9 g apart", ""},
		{"keep", "✗ NOT ADVISED   bar Q-78, found in box B-2", "ottermere/Q-78 ottermere/B-2"},
		{"extra Q-79", "✗ NOT ADVISED   bar Q-79, found in box B-2 — weigh it twice", ""},
		{"stop", "✗ NOT WEIGHED   bar Q-79 was left without two readings that agree; it is not recorded", ""},
	} {
		answer, event, stop := s.line(step.line)
		if !strings.HasPrefix(answer, step.answer) || step.answer == "" && answer != "" {
			t.Errorf("%d %q: answered %q, want %q", i, step.line, answer, step.answer)
		}
		if strings.Contains(answer, "\n") {
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
	arrival, err := s.door.tally()
	if err != nil || !arrival.Complete() || arrival.Clean() || len(arrival.ExtraBars) != 3 || len(arrival.Misplaced) != 1 {
		t.Errorf("tally %+v, %v", arrival, err)
	}
}

// A bar that was begun and left is said to be left, in the answer to what came next.
func TestScanLeftOnBalance(t *testing.T) {
	s := newScan()
	s.line("B-1")
	s.line("Q-1 100.0")
	answer, event, _ := s.line("Q-2 100.0 100.0")
	if want := "✗ NOT WEIGHED   bar Q-1 was left"; !strings.HasPrefix(answer, want) || !strings.Contains(answer,
		"\n✓ OK            bar Q-2") || event.GetBar() != "ottermere/Q-2" {
		t.Errorf("answered %q, recorded %v", answer, event)
	}
	if s.door.found["ottermere/Q-1"] {
		t.Error("a bar that was not weighed counts as come")
	}
}

// A bare number is no mass without a named unit.
func TestScanWithoutUnit(t *testing.T) {
	s := newScan()
	s.unit, s.judge = "", nil
	s.line("B-1")
	if answer, event, _ := s.line("Q-1 100.0 100.0"); event != nil || !strings.HasPrefix(answer, "✗ READING") {
		t.Errorf("%q, %v", answer, event)
	}
	if _, event, _ := s.line("Q-1 100.0 g 0.1 kg"); event == nil || strings.Join(event.GetReadings(),
		"; ") != "100.0 g; 0.1 kg" {
		t.Errorf("recorded %v", event)
	}
}

func (f *fake) advise(t *testing.T) {
	t.Helper()
	f.set(pb.ThingKind_THING_KIND_CONSIGNMENT, "ottermere/C-7",
		&pb.Thing{Thing: &pb.Thing_Consignment{Consignment: &pb.Consignment{Name: "ottermere/C-7",
			Bars: []string{"ottermere/Q-1", "ottermere/Q-2", "ottermere/Q-3"}}}})
	f.set(pb.ThingKind_THING_KIND_BOX, "ottermere/B-1",
		&pb.Thing{Thing: &pb.Thing_Box{Box: &pb.Box{Name: "ottermere/B-1", Bars: []string{"ottermere/Q-1",
			"ottermere/Q-2"}, Seals: []string{"SN-1"}}}})
	f.set(pb.ThingKind_THING_KIND_BOX, "ottermere/B-2",
		&pb.Thing{Thing: &pb.Thing_Box{Box: &pb.Box{Name: "ottermere/B-2", Bars: []string{"ottermere/Q-3"},
			Seals: []string{"SN-3"}}}})
	f.set(pb.ThingKind_THING_KIND_BALANCE, "ottermere/W2",
		&pb.Thing{Thing: &pb.Thing_Balance{Balance: &pb.Balance{Name: "ottermere/W2", Registered: &pb.BalanceRegistered{
			BalanceId: "W2", AccuracyClass: "II", Capacity: "32000 g", Readability: "0.1 g", VerificationInterval: "1 g", Repeatability: "0.2 g", CheckEveryDays: 1}}}})
}

func TestScanSession(t *testing.T) {
	f := newFake(t)
	f.advise(t)
	f.raise = func(e *pb.Event) []*pb.Discrepancy {
		if e.GetBarReceived().GetBar() != "ottermere/Q-2" {
			return nil
		}
		return []*pb.Discrepancy{{Name: "d1.1", Kind: pb.DiscrepancyKind_DISCREPANCY_KIND_WEIGHT_ON_ARRIVAL,
			Subject: "ottermere/Q-2", Words: "lighter than advised by 4.0 g"}}
	}
	server, stop := f.serve(t, "127.0.0.1:0")
	d := newDesk(t, f, server)
	scan := []string{"arrival", "scan", "C-7", "--balance", "W2", "--unit", "g"}
	d.typing("B-1 SN-1\nQ-1 100.0 100.0\nstop\nQ-2 1.0 1.0\n", scan...).want(t, exitDone,
		"✓ SEALS         box B-1, all 1 agree", "✓ OK            bar Q-1 in box B-1 — 100.0 g, 2 remain", "ottermere/C-7: 1 of 3 bars received, 2 remain",
		"MISSING", "ottermere/Q-2", "1 recorded and proven, 0 refused, 0 waiting")

	// The link goes; scanning goes on from what was seen last.
	stop()
	f.set(pb.ThingKind_THING_KIND_CONSIGNMENT, "ottermere/C-7",
		&pb.Thing{Thing: &pb.Thing_Consignment{Consignment: &pb.Consignment{Name: "ottermere/C-7",
			Received: []string{"ottermere/Q-1"}}}})
	d.typing("B-1\nQ-1\nQ-2 200.0 200.0\n", scan...).want(t, exitKept, "advice is as it was seen last", "link down",
		"· ALREADY       bar Q-1",
		"✓ OK            bar Q-2 in box B-1 — 200.0 g, 1 remain", "2 of 3 bars received", "1 kept in the outbox")

	// It comes back; what waits counts as come and is sent.
	f.serve(t, server)
	d.typing("B-1\nQ-2\nB-2\nQ-3 300.0 300.0\n", scan...).want(t, exitDone, "· ALREADY       bar Q-2", "0 remain",
		"! Q-2: d1.1  weight on arrival, ottermere/Q-2; lighter than advised by 4.0 g", "✓ nothing missing, nothing extra", "2 recorded and proven")
	if f.size() != 3 {
		t.Errorf("%d entries, want 3", f.size())
	}
}

func TestScanFile(t *testing.T) {
	f := newFake(t)
	f.advise(t)
	server, _ := f.serve(t, "127.0.0.1:0")
	d := newDesk(t, f, server)
	scan := []string{"arrival", "scan", "C-7", "--balance", "W2", "--unit", "g", "--file"}
	header := "box,mark,seals,reading1,reading2,condition\n"
	d.run(append(scan, write(t, "a.csv", header+"B-1,Q-1,SN-1,100.0,100.0,\nB-1,Q-2,,100.0,100.05,\n"))...).want(t,
		exitRefused, "CSV_ROW_WRONG", "Row 3", "finer than this balance shows")
	d.run(append(scan, write(t, "b.csv", "box,mark,reading1,reading2\nB-1,Q-1,100.0,-1\n"))...).want(t, exitRefused,
		"Row 2")
	if f.size() != 0 {
		t.Fatalf("%d entries of a refused file", f.size())
	}
	d.run("ledger", "outbox").want(t, exitDone, "None.")
	d.run(append(scan, write(t, "c.csv",
		header+"B-1,Q-1,SN-1,100.0,100.9,dented\nB-1,Q-2,,100.0,100.0,\nB-2,?,SN-3,50.0,50.0,\n"))...).want(t, exitDone, "3 recorded and proven", "MISSING")
	first, last := f.event(0).GetBarReceived(), f.event(2).GetBarReceived()
	if first.GetCondition() != "dented" || len(first.GetReadings()) != 2 || f.event(1).GetBarReceived().GetSeals()[0] != "SN-1" {
		t.Errorf("first %v, second %v", first, f.event(1))
	}
	if last.GetBar() != "" || last.GetBox() != "ottermere/B-2" || strings.Join(last.GetSeals(), " ") != "SN-3" {
		t.Errorf("last %v", last)
	}
	d.run("arrival", "status", "C-7", "-o", "csv").want(t, exitDone, "result,box,bar,note\r\n",
		"MISSING,ottermere/B-2,ottermere/Q-3,")
}

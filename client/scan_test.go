package main

import (
	"strings"
	"testing"

	pb "barward/proto/barward/v1"
)

func advise(t *testing.T, f *fake) {
	t.Helper()
	f.Set(pb.ThingKind_THING_KIND_CONSIGNMENT, "ottermere/C-7",
		&pb.Thing{Thing: &pb.Thing_Consignment{Consignment: &pb.Consignment{Name: "ottermere/C-7",
			Bars: []string{"ottermere/Q-1", "ottermere/Q-2", "ottermere/Q-3"}}}})
	f.Set(pb.ThingKind_THING_KIND_BOX, "ottermere/B-1",
		&pb.Thing{Thing: &pb.Thing_Box{Box: &pb.Box{Name: "ottermere/B-1", Bars: []string{"ottermere/Q-1",
			"ottermere/Q-2"}, Seals: []string{"SN-1"}}}})
	f.Set(pb.ThingKind_THING_KIND_BOX, "ottermere/B-2",
		&pb.Thing{Thing: &pb.Thing_Box{Box: &pb.Box{Name: "ottermere/B-2", Bars: []string{"ottermere/Q-3"},
			Seals: []string{"SN-3"}}}})
	f.Set(pb.ThingKind_THING_KIND_BALANCE, "ottermere/W2",
		&pb.Thing{Thing: &pb.Thing_Balance{Balance: &pb.Balance{Name: "ottermere/W2", Registered: &pb.BalanceRegistered{
			BalanceId: "W2", AccuracyClass: "II", Capacity: "32000 g", Readability: "0.1 g", VerificationInterval: "1 g", Repeatability: "0.2 g", CheckEveryDays: 1}}}})
}

func TestScanSession(t *testing.T) {
	f := newFake(t)
	advise(t, f)
	f.Raise = func(e *pb.Event) []*pb.Discrepancy {
		if e.GetBarReceived().GetBar() != "ottermere/Q-2" {
			return nil
		}
		return []*pb.Discrepancy{{Name: "d1.1", Kind: pb.DiscrepancyKind_DISCREPANCY_KIND_WEIGHT_ON_ARRIVAL,
			Subject: "ottermere/Q-2", Words: "lighter than advised by 4.0 g"}}
	}
	server, stop := f.Serve(t, "127.0.0.1:0")
	d := newDesk(t, f, server)
	scan := []string{"arrival", "scan", "C-7", "--balance", "W2", "--unit", "g"}
	d.typing("B-1 SN-1\nQ-1 100.0 100.0\nstop\nQ-2 1.0 1.0\n", scan...).want(t, exitDone,
		"✓ SEALS         box B-1, its seal agrees", "✓ OK            bar Q-1 in box B-1 — 100.0 g, 2 remain", "ottermere/C-7: 1 of 3 bars received, 2 remain",
		"MISSING", "ottermere/Q-2", "1 recorded and proven, 0 refused, 0 waiting")

	// The link goes; scanning goes on from what was seen last.
	stop()
	f.Set(pb.ThingKind_THING_KIND_CONSIGNMENT, "ottermere/C-7",
		&pb.Thing{Thing: &pb.Thing_Consignment{Consignment: &pb.Consignment{Name: "ottermere/C-7",
			Received: []string{"ottermere/Q-1"}}}})
	d.typing("B-1\nQ-1\nQ-2 200.0 200.0\n", scan...).want(t, exitKept, "advice is as it was seen last", "link down",
		"· ALREADY       bar Q-1",
		"✓ OK            bar Q-2 in box B-1 — 200.0 g, 1 remain", "2 of 3 bars received", "1 kept in the outbox")

	// It comes back; what waits counts as come and is sent.
	f.Serve(t, server)
	d.typing("B-1\nQ-2\nB-2\nQ-3 300.0 300.0\n", scan...).want(t, exitDone, "· ALREADY       bar Q-2", "0 remain",
		"! Q-2: d1.1  weight on arrival, ottermere/Q-2; lighter than advised by 4.0 g", "✓ nothing missing, nothing extra", "2 recorded and proven")
	if f.Size() != 3 {
		t.Errorf("%d entries, want 3", f.Size())
	}
}

func TestScanFile(t *testing.T) {
	f := newFake(t)
	advise(t, f)
	server, _ := f.Serve(t, "127.0.0.1:0")
	d := newDesk(t, f, server)
	scan := []string{"arrival", "scan", "C-7", "--balance", "W2", "--unit", "g", "--file"}
	header := "box,mark,seals,reading1,reading2,condition\n"
	d.run(append(scan, write(t, "a.csv", header+"B-1,Q-1,SN-1,100.0,100.0,\nB-1,Q-2,,100.0,100.05,\n"))...).want(t,
		exitRefused, "CSV_ROW_WRONG", "Row 3", "finer than this balance shows")
	d.run(append(scan, write(t, "b.csv", "box,mark,reading1,reading2\nB-1,Q-1,100.0,-1\n"))...).want(t, exitRefused,
		"Row 2")
	if f.Size() != 0 {
		t.Fatalf("%d entries of a refused file", f.Size())
	}
	d.run("ledger", "outbox").want(t, exitDone, "None.")
	d.run(append(scan, write(t, "c.csv",
		header+"B-1,Q-1,SN-1,100.0,100.9,dented\nB-1,Q-2,,100.0,100.0,\nB-2,?,SN-3,50.0,50.0,\n"))...).want(t, exitDone, "3 recorded and proven", "MISSING")
	first, last := f.Event(0).GetBarReceived(), f.Event(2).GetBarReceived()
	if first.GetCondition() != "dented" || len(first.GetReadings()) != 2 || f.Event(1).GetBarReceived().GetSeals()[0] != "SN-1" {
		t.Errorf("first %v, second %v", first, f.Event(1))
	}
	if last.GetBar() != "" || last.GetBox() != "ottermere/B-2" || strings.Join(last.GetSeals(), " ") != "SN-3" {
		t.Errorf("last %v", last)
	}
	d.run("arrival", "status", "C-7", "-o", "csv").want(t, exitDone, "result,box,bar,note\r\n",
		"MISSING,ottermere/B-2,ottermere/Q-3,")
}

package service

import (
	"encoding/json"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"google.golang.org/grpc/codes"

	"barward/internal/reckoning"
	pb "barward/proto/barward/v1"
)

// example is a file of testdata/examples/measurement.
func example(t *testing.T, name string) string {
	t.Helper()
	text, err := os.ReadFile(filepath.Join("..", "..", "testdata", "examples", "measurement", name+".json"))
	if err != nil {
		t.Fatal(err)
	}
	return string(text)
}

// Each computation on the wire is the one that the client runs without a service.
func TestCompute(t *testing.T) {
	h := open(t, nil)
	client := pb.NewMeasurementServiceClient(h.conn)
	examples := map[pb.Computation]string{
		pb.Computation_COMPUTATION_BALANCE_CHECK: "balance-check", pb.Computation_COMPUTATION_WEIGHINGS: "weighings",
		pb.Computation_COMPUTATION_FINE_MASS: "fine-mass", pb.Computation_COMPUTATION_WORKSHEET: "worksheet",
		pb.Computation_COMPUTATION_REPLICATES: "replicates", pb.Computation_COMPUTATION_PARTING: "parting",
		pb.Computation_COMPUTATION_HOMOGENEITY: "positions", pb.Computation_COMPUTATION_BLEND: "parts",
		pb.Computation_COMPUTATION_SCORES: "round-robin", pb.Computation_COMPUTATION_BIAS: "bias",
	}
	for number, name := range pb.Computation_name {
		computation := pb.Computation(number)
		if number == 0 {
			continue
		}
		file, ok := examples[computation]
		if !ok {
			t.Errorf("%s has no example", name)
			continue
		}
		got, err := client.Compute(h.as(h.admin), &pb.ComputeRequest{Computation: computation, FiguresJson: example(t, file)})
		if err != nil {
			t.Errorf("%s: %v", name, err)
			continue
		}
		answer, err := reckoning.Compute[strings.ToLower(strings.TrimPrefix(name, "COMPUTATION_"))]([]byte(example(t, file)))
		if err != nil {
			t.Fatal(err)
		}
		document, err := json.Marshal(answer)
		if err != nil || got.GetDocumentJson() != string(document) || got.GetWords() != reckoning.Words(document) {
			t.Errorf("%s answers %s, want %s, %v", name, got.GetDocumentJson(), document, err)
		}
	}
	for _, tt := range []struct {
		request *pb.ComputeRequest
		reason  string
	}{
		{&pb.ComputeRequest{FiguresJson: "{}"}, "COMPUTATION_MISSING"},
		{&pb.ComputeRequest{Computation: 99, FiguresJson: "{}"}, "COMPUTATION_MISSING"},
		{&pb.ComputeRequest{Computation: pb.Computation_COMPUTATION_WORKSHEET, FiguresJson: "{"}, "JSON_MALFORMED"},
		{&pb.ComputeRequest{Computation: pb.Computation_COMPUTATION_WORKSHEET, FiguresJson: strings.Repeat(" ", maxMeasured+1)}, "FIELD_TOO_LONG"},
	} {
		_, err := client.Compute(h.as(h.admin), tt.request)
		wantRefusal(t, err, codes.InvalidArgument, tt.reason)
	}
}

// A balance and a report through the wire: notes on the receipt, status, recomputation; unknown things are not found.
func TestMeasurementOfTheRecord(t *testing.T) {
	h := open(t, nil)
	boss, officer, assayer := newPerson(t), newPerson(t), newPerson(t)
	party := mine("ottermere")
	party.GetPartyRegistered().Sites = []*pb.Site{{SiteId: "plant", DisplayName: "Plant (invented)", ElevationM: "3900"}}
	h.append(h.admin.event(t, party))
	h.append(h.admin.event(t, enrols("ottermere", "bo", boss, pb.Role_ROLE_ADMINISTRATOR)))
	h.append(boss.event(t, enrols("ottermere", "ana", officer, pb.Role_ROLE_GOLD_ROOM_OFFICER)))
	h.append(boss.event(t, enrols("ottermere", "cy", assayer, pb.Role_ROLE_ASSAYER)))
	at := time.Now().Add(-time.Hour)
	event := func(minutes int, body *pb.Event) *pb.Event {
		body.OccurredAt = at.Add(time.Duration(minutes) * time.Minute).Format(time.RFC3339)
		return body
	}
	registered, err := h.record(boss, boss.event(t, event(0, &pb.Event{Body: &pb.Event_BalanceRegistered{BalanceRegistered: &pb.BalanceRegistered{BalanceId: "B1", Site: "ottermere/plant",
		AccuracyClass: "I", Capacity: "32000 g", Readability: "0.1 g", VerificationInterval: "0.1 g", Repeatability: "0.2 g", CheckEveryDays: 7}}})))
	if err != nil || len(registered.GetNotes()) != 1 || !strings.Contains(registered.GetNotes()[0], "adjustment") {
		t.Fatalf("%v, %v", registered, err)
	}
	h.append(officer.event(t, event(1, &pb.Event{Body: &pb.Event_BalanceChecked{BalanceChecked: &pb.BalanceChecked{Balance: "ottermere/B1",
		Points: []*pb.CheckPoint{{Nominal: "20 kg", WeightClass: "E2", Observed: "20000.0 g"}}}}})))
	pour, err := h.record(officer, officer.event(t, event(2, &pb.Event{Body: &pb.Event_PourRecorded{PourRecorded: &pb.PourRecorded{PourId: "P1", Balance: "ottermere/B1",
		Bars: []*pb.PouredBar{{Mark: "OT-1", Readings: []string{"5.0 g", "5.0 g"}}}}}})))
	if err != nil || len(pour.GetNotes()) != 1 || !strings.Contains(pour.GetNotes()[0], "below the 10.0 g") { // OIML R 76-1: 100 e
		t.Errorf("%v, %v", pour, err)
	}
	client := pb.NewBookServiceClient(h.conn)
	status, err := client.GetBalanceStatus(h.as(officer), &pb.GetBalanceStatusRequest{Balance: "ottermere/B1", At: time.Now().Format(time.RFC3339)})
	if err != nil || status.GetState() != "in_date" || len(status.GetSince()) != 1 || status.GetTreeSize() != pour.GetSequence()+1 {
		t.Errorf("%v, %v", status, err)
	}
	_, err = client.GetBalanceStatus(h.as(officer), &pb.GetBalanceStatusRequest{Balance: "ottermere/B9", At: time.Now().Format(time.RFC3339)})
	wantRefusal(t, err, codes.NotFound, "NAME_UNKNOWN")
	_, err = client.GetBalanceStatus(h.as(officer), &pb.GetBalanceStatusRequest{Balance: strings.Repeat("b", maxName+1)})
	wantRefusal(t, err, codes.InvalidArgument, "FIELD_TOO_LONG")

	h.append(officer.event(t, event(3, &pb.Event{Body: &pb.Event_SampleTaken{SampleTaken: &pb.SampleTaken{SampleId: "S1", Source: "ottermere/P1", Method: pb.SampleMethod_SAMPLE_METHOD_DIP}}})))
	reported := h.append(assayer.event(t, event(4, &pb.Event{Body: &pb.Event_AssayReported{AssayReported: &pb.AssayReported{AssayId: "R1", Sample: "ottermere/S1", WorksheetJson: example(t, "worksheet")}}})))
	again, err := client.RecomputeAssay(h.as(officer), &pb.RecomputeAssayRequest{Report: "ottermere/R1"})
	if err != nil || !again.GetAgrees() || again.GetEntry() != reported || again.GetComputed()[0].GetFineness() != "812.24 ppt" { // by hand, as in the example
		t.Errorf("%v, %v", again, err)
	}
	_, err = client.RecomputeAssay(h.as(h.admin), &pb.RecomputeAssayRequest{Report: "ottermere/R1"}) // the operator sees no assay
	wantRefusal(t, err, codes.NotFound, "NAME_UNKNOWN")
	_, err = client.RecomputeAssay(h.as(officer), &pb.RecomputeAssayRequest{Report: strings.Repeat("b", maxName+1)})
	wantRefusal(t, err, codes.InvalidArgument, "FIELD_TOO_LONG")

	bias := &pb.ReportBiasRequest{Of: pb.BiasOf_BIAS_OF_EXCHANGE, Element: "Au", SettingsJson: example(t, "bias-settings")}
	_, err = client.ReportBias(h.as(officer), bias)
	wantRefusal(t, err, codes.FailedPrecondition, "DIFFERENCES_TOO_FEW")
	bias.SettingsJson = "{}"
	_, err = client.ReportBias(h.as(officer), bias)
	wantRefusal(t, err, codes.InvalidArgument, "SETTING_OUT_OF_RANGE")
	bias.SettingsJson = strings.Repeat(" ", maxSettings+1)
	_, err = client.ReportBias(h.as(officer), bias)
	wantRefusal(t, err, codes.InvalidArgument, "FIELD_TOO_LONG")
}

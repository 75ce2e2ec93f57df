package main

import (
	"bytes"
	"context"
	"encoding/json"
	"encoding/xml"
	"io"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"

	"barward/internal/reckoning"
	pb "barward/proto/barward/v1"
)

// measured is the example of testdata/examples/measurement.
func measured(name string) string {
	return filepath.Join("..", "testdata", "examples", "measurement", name+".json")
}

// withoutService runs a command that needs no service, no key and no home.
func withoutService(t *testing.T, args ...string) ran {
	t.Helper()
	var out, complain bytes.Buffer
	code := run(t.Context(), append([]string{"--home", filepath.Join(t.TempDir(), "none"), "--server", "127.0.0.1:1"}, args...), strings.NewReader(""), &out, &complain)
	return ran{code, out.String(), complain.String()}
}

// Every example runs, and comes to what its source or a hand came to.
func TestExamplesOfMeasurement(t *testing.T) {
	for _, tt := range []struct {
		command, example, source string
		parts                    []string
	}{
		// 20 kg are 200 000 e: ±1.0 e, doubled; 25 kg are 250 000 e: ±1.5 e, doubled. Class E2 at 20 kg may err by 30 mg.
		{"balance assess", "balance-check", "OIML R 76-1 table 6, R 111-1 table 1 (E2 at 20 kg from memory)", []string{"passed", "true", "0.2", "0.3", "0.030"}},
		// 0.6 g heavier, limit 0.5 g; 20 000 × (ρ at 3900 m − 1.199314) × (1/ρbar − 1/8000) ≈ 0.46; U = 2 √(0.1² + 0.1²).
		{"weighing compare", "weighings", "reference 05: CIPM-2007 at 101 325 Pa, 20 °C, 50 %; by hand", []string{"1.199314", "Air buoyancy explains it", "0.282843"}},
		{"weighing uncertainty", "fine-mass", "reference 06: F = 17 000 g, u = 3.0012 g, assay 99.9 %", []string{"17000 g ± 6.0 g", "3.0012", "99.92", "only a better one is worth paying for"}},
		// δ = (0.029698 + 0.01969)/2 mg; top 812.298776, bottom 812.173906, mean 812.24; silver 74.0 and 74.1 mg of 500: 148.1.
		{"assay worksheet", "worksheet", "by hand", []string{"0.024694", "812.298776", "gold 812.24 ppt, silver 148.1 ppt", "999.94"}},
		{"assay accept", "replicates", "reference 03, section 2: mean of four", []string{"750.2475 ppt", "0.36"}},
		{"assay parting", "parting", "Beringer 1904, p. 146: 1.145 g", []string{"1.1450 g", "2.5 to 1"}},
		{"assay homogeneity", "positions", "by hand: (812.10 + 812.30)/2 − (811.20 + 811.40)/2 = 0.9", []string{"drill top is 0.9 ppt above drill bottom", "melt again"}},
		{"assay blend", "parts", "Beringer 1904: 456 + 15 = 471 over 15, 31.4", []string{"456", "471", "0.0314 ppt"}},
		// z = 0.05/0.15, 0.30/0.15, −0.50/0.15; En of the second 0.30/√(0.16² + 0.10²) = 1.59.
		{"assay score", "round-robin", "reference 03: CD = 0.459130; by hand", []string{"0.459129", "2 call for action", "2 of 3 pairs differ"}},
		// Differences add up to 5.13 ppt, half of it borne on 100 kg each: 256.5 g = 8.247 oz; the sum passes 1.05 at the tenth.
		{"bias report", "bias", "by hand", []string{"Always inside the limit, always on one side", "signalled at L-10", "8.247 oz", "23915.333 USD", "▁", "L-24"}},
	} {
		file := measured(tt.example)
		shown := withoutService(t, append(strings.Fields(tt.command), "--file", file)...).want(t, exitDone)
		for _, part := range tt.parts {
			if !strings.Contains(shown.out, part) {
				t.Errorf("%s (%s): %q is missing in\n%s", tt.command, tt.source, part, shown.out)
			}
		}
		answer := withoutService(t, append(strings.Fields(tt.command), "--file", file, "-o", "json")...).want(t, exitDone)
		if !json.Valid([]byte(answer.out)) {
			t.Errorf("%s gives no JSON:\n%s", tt.command, answer.out)
		}
		if again := withoutService(t, append(strings.Fields(tt.command), "--file", write(t, "x.json", `{"unheard_of": 1}`))...); again.code != exitRefused {
			t.Errorf("%s takes a field that it does not know: %+v", tt.command, again)
		}
	}
	files, err := filepath.Glob(measured("*"))
	if err != nil || len(files) != 11 { // the ten above, and the settings of a report from the record
		t.Errorf("%d examples, %v", len(files), err)
	}
}

func TestBiasFromFigures(t *testing.T) {
	chart := filepath.Join(t.TempDir(), "bias.svg")
	withoutService(t, "bias", "report", "--file", measured("bias"), "--svg", chart).want(t, exitDone, "moved")
	text, err := os.ReadFile(chart)
	if err != nil {
		t.Fatal(err)
	}
	d := xml.NewDecoder(bytes.NewReader(text))
	for {
		if _, err = d.Token(); err != nil {
			break
		}
	}
	if err != io.EOF || !strings.Contains(string(text), "signal at L-10") {
		t.Errorf("the chart is no SVG, %v:\n%s", err, text)
	}
	csv := withoutService(t, "bias", "report", "--file", measured("bias"), "-o", "csv").want(t, exitDone)
	if lines := strings.Split(strings.TrimSpace(csv.out), "\r\n"); len(lines) != 25 || lines[1] != "L-1,0.18 ppt,0.5 ppt" {
		t.Errorf("%d lines: %q", len(lines), csv.out)
	}
	for _, tt := range []struct {
		args   []string
		reason string
	}{
		{nil, "SOURCE_UNCLEAR"},
		{[]string{"--file", measured("bias"), "--of", "exchange"}, "SOURCE_UNCLEAR"},
		{[]string{"--file", measured("bias"), "--with", "thistlequay"}, "SOURCE_UNCLEAR"},
		{[]string{"--of", "weather", "--element", "Au"}, "CHOICE_UNKNOWN"},
		{[]string{"--of", "exchange", "--element", "Au"}, "SETTINGS_MISSING"},
		{[]string{"--file", measured("bias"), "--svg", filepath.Join(t.TempDir(), "none", "bias.svg")}, "FILE_NOT_WRITTEN"},
		{[]string{"--file", measured("bias-settings")}, "ELEMENT_MISSING"},
	} {
		got := withoutService(t, append([]string{"bias", "report"}, tt.args...)...)
		if got.code != exitRefused || !strings.Contains(got.complain, tt.reason) {
			t.Errorf("%v: exit %d, %s%s", tt.args, got.code, got.out, got.complain)
		}
	}
}

// Each computation states its formula, its units, its source and its range in its help (issue 4, done when 4).
func TestHelpOfEveryComputation(t *testing.T) {
	parser, err := newParser(&cli{}, io.Discard, io.Discard)
	if err != nil {
		t.Fatal(err)
	}
	told := map[string]bool{}
	for _, leaf := range parser.Model.Leaves(false) {
		name := leaf.Tag.Get("offline") + leaf.Tag.Get("computes")
		if name == "" {
			continue
		}
		f, ok := formulas[name]
		if !ok {
			t.Errorf("%s computes %q, of which nothing is stated", leaf.Path(), name)
			continue
		}
		told[name] = true
		var out bytes.Buffer
		if code := run(t.Context(), append(strings.Fields(commandPath(leaf))[1:], "--help"), strings.NewReader(""), &out, &out); code != exitDone {
			t.Errorf("%s --help ends with %d", leaf.Path(), code)
		}
		for _, part := range []string{"Formula:  " + f.formula, "Units:    " + f.units, "Source:   " + f.source, "Range:    " + f.valid} {
			if len(part) < 20 || !strings.Contains(out.String(), part) {
				t.Errorf("%s --help does not state %q", leaf.Path(), part)
			}
		}
	}
	for name := range formulas {
		if !told[name] {
			t.Errorf("no command computes %q", name)
		}
	}
	for name := range reckoning.Compute {
		if !told[name] {
			t.Errorf("no command runs the computation %q", name)
		}
	}
}

func (f *fake) GetBalanceStatus(_ context.Context, r *pb.GetBalanceStatusRequest) (*pb.GetBalanceStatusResponse, error) {
	if r.GetBalance() != "ottermere/B1" {
		return nil, status.Error(codes.NotFound, "there is no such balance")
	}
	return &pb.GetBalanceStatusResponse{Words: "lapsed since " + r.GetAt(), State: "lapsed", Notes: []string{"a note"}, More: true,
		Since: []*pb.BalanceUse{{Subject: "ottermere/OT-1", Mass: "100.0 g", WeighedAt: "2026-03-02T08:00:00Z", Entry: 7, Doubt: "doubtful"}}}, nil
}

func (f *fake) RecomputeAssay(_ context.Context, r *pb.RecomputeAssayRequest) (*pb.RecomputeAssayResponse, error) {
	return f.recompute(r), nil
}

func (f *fake) ReportBias(_ context.Context, r *pb.ReportBiasRequest) (*pb.ReportBiasResponse, error) {
	return &pb.ReportBiasResponse{Words: "of " + r.GetOf().String() + " " + r.GetElement() + " " + r.GetBalance() + " " + r.GetCounterparty(), Count: 2, LeftOut: 3, ChartSvg: "<svg/>",
		Points: []*pb.BiasPoint{{Of: "quillhaven/L-1", Date: "2026-03-02", Difference: "0.10 ppt", Limit: "0.5 ppt"}, {Of: "quillhaven/L-2", Date: "2026-03-09", Difference: "-0.20 ppt", Limit: "0.5 ppt"}}}, nil
}

func TestStatusAndBiasFromTheRecord(t *testing.T) {
	f := newFake(t)
	server, _ := f.Serve(t, "127.0.0.1:0")
	d := newDesk(t, f, server)
	d.run("balance", "status", "B1", "--at", "2026-03-03T08:00:00Z").want(t, exitDone, "ottermere/B1: lapsed since 2026-03-03T08:00:00Z", "· a note", "ottermere/OT-1", "doubtful", "hangs on the next one")
	d.run("balance", "status", "B1", "-o", "csv").want(t, exitDone, "ottermere/OT-1,100.0 g,2026-03-02T08:00:00Z,7,doubtful")
	d.run("balance", "status", "B2").want(t, exitRefused, "no such balance")
	chart := filepath.Join(t.TempDir(), "bias.svg")
	d.run("bias", "report", "--of", "exchange", "--element", "Au", "--with", "quillhaven", "--settings", measured("bias-settings"), "--svg", chart).
		want(t, exitDone, "of BIAS_OF_EXCHANGE Au  quillhaven", "0.10 ppt", "█▁", "-0.2 to 0.1", "3 left out")
	if text, err := os.ReadFile(chart); err != nil || string(text) != "<svg/>" {
		t.Errorf("%s, %v", text, err)
	}
	d.run("bias", "report", "--of", "arrival-weight", "--balance", "B1", "--settings", measured("bias-settings"), "-o", "json").want(t, exitDone, "BIAS_OF_ARRIVAL_WEIGHT", "ottermere/B1")
}

// Under a bar stand its discrepancies, with what explains each; one that may not be seen is passed over.
func TestShowTellsWhatExplainsADiscrepancy(t *testing.T) {
	f := newFake(t)
	f.Set(pb.ThingKind_THING_KIND_BAR, "ottermere/OT-1", &pb.Thing{Thing: &pb.Thing_Bar{Bar: &pb.Bar{Name: "ottermere/OT-1", Discrepancies: []string{"d9.1", "d10.1"},
		Weights: []*pb.WeightRecord{{Mass: "100.0 g", Uncertainty: "0.25 g", Notes: []string{"a small load"}}}}}})
	f.Set(pb.ThingKind_THING_KIND_DISCREPANCY, "d9.1", &pb.Thing{Thing: &pb.Thing_Discrepancy{Discrepancy: &pb.Discrepancy{Name: "d9.1", Words: "It is lighter.",
		Explained: "-0.4800 g", Remaining: "-0.1200 g", Uncertainty: "0.35 g"}}})
	server, _ := f.Serve(t, "127.0.0.1:0")
	d := newDesk(t, f, server)
	shown := d.run("bar", "show", "OT-1").want(t, exitDone, "It is lighter", "air buoyancy explains -0.4800 g; what remains is -0.1200 g; uncertainty (k = 2) 0.35 g", "0.25 g", "a small load")
	if strings.Count(shown.out, "  ! ") != 1 {
		t.Errorf("more than the one that can be seen:\n%s", shown.out)
	}
	d.run("discrepancy", "show", "d9.1").want(t, exitDone, "explained", "-0.4800 g", "remaining", "-0.1200 g", "uncertainty", "0.35 g")
}

// A report is computed again from its signed entry, not from what the service says.
func TestRecomputeFromTheSignedEntry(t *testing.T) {
	f := newFake(t)
	server, _ := f.Serve(t, "127.0.0.1:0")
	d := newDesk(t, f, server)
	sheet, err := os.ReadFile(measured("worksheet"))
	if err != nil {
		t.Fatal(err)
	}
	d.record(&pb.AssayReported{AssayId: "R-1", Sample: "ottermere/S-1", WorksheetJson: string(sheet)})
	d.record(&pb.AssayReported{AssayId: "R-2", Sample: "ottermere/S-1", WorksheetJson: string(sheet), Results: []*pb.AssayResult{{Element: "Au", Fineness: "812.20 ppt"}, {Element: "Zn", Fineness: "1 ppt"}}})
	f.recompute = func(r *pb.RecomputeAssayRequest) *pb.RecomputeAssayResponse {
		entry := uint64(slices.Index([]string{"ottermere/R-1", "ottermere/R-2"}, r.GetReport()))
		return &pb.RecomputeAssayResponse{Agrees: true, Entry: entry, Reported: []*pb.AssayResult{{Element: "Au", Fineness: "812.24 ppt"}, {Element: "Ag", Fineness: "148.1 ppt"}, {Element: "Cu", Fineness: "39.6 ppt"}}}
	}
	d.run("assay", "recompute", "R-1").want(t, exitDone, "✓ ottermere/R-1, entry 0", "still gives exactly what was reported", "812.298776")
	d.run("assay", "recompute", "R-2").want(t, exitDone, "✗", "Au was reported as 812.20 ppt and computes to 812.24 ppt", "Ag computes to 148.1 ppt and was not reported", "not from the worksheet: Zn")
	d.run("assay", "recompute", "R-2", "-o", "json").want(t, exitDone, `"agrees": false`)
	f.recompute = func(*pb.RecomputeAssayRequest) *pb.RecomputeAssayResponse {
		return &pb.RecomputeAssayResponse{Entry: 1}
	}
	d.run("assay", "recompute", "R-1").want(t, exitUntrusted, "entry 1 is not report ottermere/R-1")
}

// What a receipt tells beside discrepancies is shown under it.
func TestNotesOfAReceipt(t *testing.T) {
	f := newFake(t)
	f.Receipt = func(r *pb.Receipt) { r.Notes = []string{"below the smallest load"} }
	server, _ := f.Serve(t, "127.0.0.1:0")
	d := newDesk(t, f, server)
	d.run("bar", "weigh", "OT-1", "--stage", "recheck", "--balance", "B1", "--reading", "1.0 g", "--reading", "1.0 g").want(t, exitDone, "· below the smallest load")
	d.run("balance", "register", "B7", "--site", "plant", "--class", "II", "--capacity", "32000 g", "--readability", "0.1 g", "--interval", "1 g", "--repeatability", "0.2 g",
		"--check-every", "1", "--adjusted-on", "2026-03-01", "--adjusted-at", "plant").want(t, exitDone, "recorded")
	d.run("balance", "check", "B7", "--point", "20 kg:F1:20000.1 g", "--adjusted-on", "2026-03-02", "--adjusted-at", "plant").want(t, exitDone, "recorded")
	registered, checked := f.Event(1).GetBalanceRegistered(), f.Event(2).GetBalanceChecked()
	if registered.GetAdjustedAt() != "ottermere/plant" || registered.GetAdjustedOn() != "2026-03-01" || checked.GetAdjustedAt() != "ottermere/plant" || checked.GetAdjustedOn() != "2026-03-02" {
		t.Errorf("%v\n%v", registered, checked)
	}
}

// By hand: drill top (812.10 + 812.30)/2 = 812.20, drill bottom 811.30, dip 811.80; 0.9 from top to bottom.
func TestSamplesOfABarCompared(t *testing.T) {
	f := newFake(t)
	report := func(sample, gold string, superseded uint64) *pb.AssayRecord {
		return &pb.AssayRecord{Sample: "ottermere/" + sample, SupersededBy: superseded, Results: []*pb.AssayResult{{Element: "Au", Fineness: gold + " ppt"}}}
	}
	f.Set(pb.ThingKind_THING_KIND_BAR, "ottermere/OT-1", &pb.Thing{Thing: &pb.Thing_Bar{Bar: &pb.Bar{Name: "ottermere/OT-1", Assays: []*pb.AssayRecord{
		report("S-1", "812.10", 0), report("S-2", "811.30", 0), report("S-1", "812.30", 0), report("S-3", "811.80", 0), report("S-2", "700", 9)}}}})
	for name, taken := range map[string]*pb.SampleTaken{
		"ottermere/S-1": {Method: pb.SampleMethod_SAMPLE_METHOD_DRILL, Positions: []string{"top A1"}},
		"ottermere/S-2": {Method: pb.SampleMethod_SAMPLE_METHOD_DRILL, Positions: []string{"bottom C3"}},
		"ottermere/S-3": {Method: pb.SampleMethod_SAMPLE_METHOD_DIP},
	} {
		f.Set(pb.ThingKind_THING_KIND_SAMPLE, name, &pb.Thing{Thing: &pb.Thing_Sample{Sample: &pb.Sample{Name: name, Taken: taken}}})
	}
	server, _ := f.Serve(t, "127.0.0.1:0")
	d := newDesk(t, f, server)
	d.run("sample", "compare", "OT-1", "--element", "Au", "--limit", "0.5").want(t, exitDone, "drill top A1 (ottermere/S-1) is 0.9 ppt above drill bottom C3 (ottermere/S-2)", "dip (ottermere/S-3)", "melt again")
	d.run("sample", "compare", "OT-1", "--element", "Au", "--limit", "0.9").want(t, exitDone, "within 0.9 ppt")
	d.run("sample", "compare", "OT-1", "--element", "Au", "--limit", "0.9", "-o", "json").want(t, exitDone, `"range": "0.9"`)
	d.run("sample", "compare", "OT-1", "--element", "Ag", "--limit", "0.5").want(t, exitRefused, "POSITIONS_COUNT")
	d.run("sample", "compare", "OT-1", "--element", "gold", "--limit", "0.5").want(t, exitRefused, "ELEMENT_UNKNOWN")
	d.run("sample", "compare", "OT-1", "--element", "Au", "--limit", "none").want(t, exitRefused, "--limit")
}

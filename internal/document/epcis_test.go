package document

import (
	"bytes"
	"encoding/json"
	"fmt"
	"regexp"
	"slices"
	"strings"
	"testing"
	"time"

	"barward/internal/refusal"
	pb "barward/proto/barward/v1"
)

// route is a bar's way from the pour to the melt, every action that the book writes on routes among it.
func route() Custody {
	one, two := bar(0), bar(1)
	for _, b := range []*pb.Bar{one, two} {
		b.Lot = "quillhaven/L-1"
		b.Route = slices.Insert(b.Route, 1,
			&pb.RouteStep{Entry: 43, OccurredAt: "2026-03-02T09:00:00-05:00", Action: "weighed", Party: "ottermere",
				Mass: "400.0250 oz"},
			&pb.RouteStep{Entry: 44, OccurredAt: "2026-03-02T09:10:00-05:00", Action: "sampled", Party: "ottermere",
				Note: "sample ottermere/M-1"},
			&pb.RouteStep{Entry: 45, OccurredAt: "2026-03-02T15:00:00Z", Action: "assayed", Party: "ottermere"},
			&pb.RouteStep{Entry: 50, OccurredAt: "2026-03-03T06:00:00-05:00", Action: "packed", Party: "ottermere",
				Seals: []string{"SN-101"}})
		b.Route = append(b.Route,
			&pb.RouteStep{Entry: 88, OccurredAt: "2026-03-09T09:00:00+01:00", Action: "lot", Party: "quillhaven"},
			&pb.RouteStep{Entry: 90, OccurredAt: "2026-03-10T09:00:00+01:00", Action: "melted", Party: "quillhaven"})
	}
	two.Route[5].Entry = 78 // a bar is received by an entry of its own
	carried := box(1)
	carried.Bars = []string{one.GetName(), two.GetName(), "ottermere/OT-0999"}
	carried.Route = []*pb.RouteStep{
		{Entry: 50, OccurredAt: "2026-03-03T06:00:00-05:00", Action: "packed", Party: "ottermere",
			Seals: []string{"SN-101"}, Mass: "52.30 kg"},
		{Entry: 51, OccurredAt: "2026-03-03T07:00:00-05:00", Action: "advised", Party: "ottermere",
			Counterparty: "quillhaven"},
		{Entry: 52, OccurredAt: "2026-03-03T08:00:00-05:00", Action: "released", Party: "ottermere",
			Counterparty: "swiftmole"},
		{Entry: 53, OccurredAt: "2026-03-03T08:20:00-05:00", Action: "accepted", Party: "swiftmole",
			Counterparty: "ottermere"},
		{Entry: 54, OccurredAt: "2026-03-04T08:20:00+05:45", Action: "seal_replaced", Party: "swiftmole",
			Seals: []string{"SN-9"}},
		{Entry: 55, OccurredAt: "2026-03-04T09:20:00+05:45", Action: "incident", Party: "swiftmole", Note: "stood two hours"},
		{Entry: 77, OccurredAt: "2026-03-06T10:12:00+01:00", Action: "received", Party: "quillhaven"},
	}
	code, _ := NewSSCC("9520123", 1, 50)
	melted := lot()
	melted.Bars = []string{one.GetName(), two.GetName(), "ottermere/OT-0999"}
	return Custody{Origin: "ledger.example/x", Bars: []*pb.Bar{one, two}, Boxes: []*pb.Box{carried},
		Lots: []*pb.Lot{melted},
		Discrepancies: []*pb.Discrepancy{{Entry: 77, Subject: one.GetName(),
			Kind: pb.DiscrepancyKind_DISCREPANCY_KIND_WEIGHT_ON_ARRIVAL}},
		SSCC: map[string]SSCC{"ottermere/B-1": code}, Created: printedAt}
}

func eventsOf(t *testing.T, c Custody) (map[string]any, []map[string]any) {
	t.Helper()
	out, err := EPCIS(c)
	if err != nil {
		t.Fatal(err)
	}
	again, err := EPCIS(c)
	if err != nil || !bytes.Equal(out, again) {
		t.Fatalf("equal input gave another file: %v", err)
	}
	var file map[string]any
	d := json.NewDecoder(bytes.NewReader(out))
	d.UseNumber()
	if err := d.Decode(&file); err != nil {
		t.Fatal(err)
	}
	var events []map[string]any
	for _, e := range file["epcisBody"].(map[string]any)["eventList"].([]any) {
		events = append(events, e.(map[string]any))
	}
	return file, events
}

// The required fields and the lists of values are those of GS1's EPCIS-JSON-Schema.json (github.com/gs1/EPCIS, folder
// JSON-Schema; draft-07), as noted in the published facts that this project checks itself against.
func TestEPCISHasWhatTheSchemaRequires(t *testing.T) {
	file, events := eventsOf(t, route())
	for _, name := range []string{"@context", "type", "schemaVersion", "creationDate", "epcisBody"} {
		if file[name] == nil {
			t.Errorf("the document has no %s", name)
		}
	}
	if file["type"] != "EPCISDocument" || file["schemaVersion"] != "2.0" {
		t.Errorf("%v %v", file["type"], file["schemaVersion"])
	}
	offset := regexp.MustCompile(`^([+]|[-])((0[0-9]|1[0-3]):([0-5][0-9])|14:00)$`) // the schema's own pattern
	instant := regexp.MustCompile(`^\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d(\.\d+)?(Z|[+-]\d\d:\d\d)$`)
	uri := regexp.MustCompile(`^urn:(uuid:[0-9a-f]{8}-[0-9a-f]{4}-5[0-9a-f]{3}-[89ab][0-9a-f]{3}-[0-9a-f]{12}|` +
		`epc:id:sscc:\d+\.\d+)$`)
	steps := []string{"commissioning", "inspecting", "sampling", "packing", "unpacking", "shipping", "receiving",
		"accepting", "other"}
	dispositions := []string{"active", "in_transit", "container_closed", "container_open", "mismatch_quantity",
		"mismatch_instance", "non_conformant"}
	ids := map[any]bool{}
	var uris func(any)
	uris = func(v any) {
		switch v := v.(type) {
		case string:
			if !uri.MatchString(v) {
				t.Errorf("%q is no id", v)
			}
		case []any:
			for _, one := range v {
				uris(one)
			}
		}
	}
	for _, e := range events {
		what := fmt.Sprint(e["type"], " of entry ", e["barward:entry"], " ", e["barward:action"])
		has := func(name string) bool { return e[name] != nil }
		if !has("type") || !instant.MatchString(fmt.Sprint(e["eventTime"])) ||
			!offset.MatchString(fmt.Sprint(e["eventTimeZoneOffset"])) {
			t.Errorf("%s: time %v, offset %v", what, e["eventTime"], e["eventTimeZoneOffset"])
		}
		if ids[e["eventID"]] {
			t.Errorf("%s: its id is another event's", what)
		}
		ids[e["eventID"]] = true
		for _, name := range []string{"eventID", "parentID", "epcList", "childEPCs", "transformationID", "inputEPCList",
			"outputEPCList"} {
			if has(name) {
				uris(e[name])
			}
		}
		switch action := e["action"]; e["type"] {
		case "ObjectEvent":
			if action != "OBSERVE" || !has("epcList") {
				t.Errorf("%s: action %v, list %v", what, action, e["epcList"])
			}
		case "AggregationEvent":
			if action != "ADD" && action != "DELETE" || !has("childEPCs") || !has("parentID") {
				t.Errorf("%s: %v", what, e)
			}
		case "TransformationEvent":
			if has("action") || !(has("inputEPCList") && has("outputEPCList")) && !has("transformationID") {
				t.Errorf("%s: %v", what, e)
			}
		default:
			t.Errorf("%s is no kind of event", what)
		}
		if has("bizStep") && !slices.Contains(steps, e["bizStep"].(string)) {
			t.Errorf("%s: step %v", what, e["bizStep"])
		}
		if has("disposition") && !slices.Contains(dispositions, e["disposition"].(string)) {
			t.Errorf("%s: disposition %v", what, e["disposition"])
		}
		if p, ok := e["readPoint"].(map[string]any); has("readPoint") && (!ok || p["id"] == nil) {
			t.Errorf("%s: read point %v", what, e["readPoint"])
		}
		if has("ilmd") {
			t.Errorf("%s: ilmd stands with ADD only", what)
		}
	}
}

func find(t *testing.T, events []map[string]any, kind, entry, action string) map[string]any {
	t.Helper()
	for _, e := range events {
		if e["type"] == kind && fmt.Sprint(e["barward:entry"]) == entry && (action == "" || e["bizStep"] == action) {
			return e
		}
	}
	t.Fatalf("no %s %s of entry %s", kind, action, entry)
	return nil
}

// The mapping of the trade's facts to events is advice of the same notes; the figures are those of the record.
func TestEPCISTellsTheRoute(t *testing.T) {
	_, events := eventsOf(t, route())
	text := func(v any) string { return fmt.Sprint(v) }
	poured := find(t, events, "TransformationEvent", "41", "commissioning")
	if len(poured["outputEPCList"].([]any)) != 2 || poured["eventTime"] != "2026-03-02T07:40:00-05:00" ||
		poured["eventTimeZoneOffset"] != "-05:00" {
		t.Errorf("the pour is %v", poured)
	}
	packed := find(t, events, "AggregationEvent", "50", "packing")
	sscc := packed["parentID"].(string)
	if !strings.HasPrefix(sscc, "urn:epc:id:sscc:9520123.1") || len(packed["childEPCs"].([]any)) != 3 ||
		packed["action"] != "ADD" {
		t.Errorf("the packing is %v", packed)
	}
	gave, took := find(t, events, "ObjectEvent", "52", "shipping"), find(t, events, "ObjectEvent", "53", "receiving")
	if gave["disposition"] != "in_transit" || text(gave["sourceList"]) != text(took["sourceList"]) ||
		text(gave["destinationList"]) != text(took["destinationList"]) ||
		!strings.Contains(text(gave["sourceList"]), "possessing_party") {
		t.Errorf("given %v\ntaken %v", gave, took)
	}
	if text(gave["epcList"]) != "["+sscc+"]" {
		t.Errorf("given away was %v", gave["epcList"])
	}
	light := find(t, events, "AggregationEvent", "77", "unpacking")
	right := find(t, events, "AggregationEvent", "78", "unpacking")
	if light["disposition"] != "mismatch_quantity" || right["disposition"] != "container_open" ||
		light["action"] != "DELETE" || light["parentID"] != sscc {
		t.Errorf("light %v\nright %v", light, right)
	}
	melted := find(t, events, "TransformationEvent", "90", "commissioning")
	if len(melted["inputEPCList"].([]any)) != 3 || len(melted["outputEPCList"].([]any)) != 1 {
		t.Errorf("the melt is %v", melted)
	}
	masses := map[string]string{}
	for _, e := range events {
		if e["sensorElementList"] == nil {
			continue
		}
		report := e["sensorElementList"].([]any)[0].(map[string]any)["sensorReport"].([]any)[0].(map[string]any)
		if report["type"] != "Mass" {
			t.Errorf("%v", report)
		}
		masses[text(e["barward:entry"])] = text(report["value"]) + " " + text(report["uom"])
	}
	// UN/ECE Recommendation 20 (from memory); the digits with their last zero, as recorded.
	for entry, want := range map[string]string{"41": "12441.4 GRM", "43": "400.0250 APZ", "50": "52.30 KGM",
		"77": "12440.9 GRM"} {
		if masses[entry] != want {
			t.Errorf("entry %s weighs %s, want %s", entry, masses[entry], want)
		}
	}
	// The same bar has the same id in a file of its own, and another ledger's bar of the same name has another.
	alone := route()
	alone.Boxes, alone.Lots, alone.Bars = nil, nil, alone.Bars[:1]
	_, own := eventsOf(t, alone)
	id := func(list []map[string]any) string {
		return text(find(t, list, "TransformationEvent", "41", "commissioning")["outputEPCList"].([]any)[0])
	}
	other := alone
	other.Origin = "ledger.example/y"
	_, others := eventsOf(t, other)
	if id(own) != id(events) || id(others) == id(own) {
		t.Errorf("ids: %s, %s, %s", id(events), id(own), id(others))
	}
}

func TestEPCISRefusals(t *testing.T) {
	for name, tt := range map[string]struct {
		change func(*Custody)
		reason string
	}{
		"no ledger":    {func(c *Custody) { c.Origin = "" }, "EPCIS_INCOMPLETE"},
		"nothing":      {func(c *Custody) { c.Bars, c.Boxes = nil, nil }, "EPCIS_INCOMPLETE"},
		"no route":     {func(c *Custody) { c.Bars, c.Boxes = []*pb.Bar{{Name: "x/y"}}, nil }, "EPCIS_INCOMPLETE"},
		"no instant":   {func(c *Custody) { c.Bars[0].Route[0].OccurredAt = "2026-03-02 07:40" }, "EPCIS_TIME"},
		"far offset":   {func(c *Custody) { c.Bars[0].Route[0].OccurredAt = "2026-03-02T07:40:00+14:30" }, "EPCIS_TIME"},
		"no mass":      {func(c *Custody) { c.Bars[0].Route[0].Mass = "12441.4" }, "UNIT_MISSING"},
		"too many":     {func(c *Custody) { c.Bars = slices.Repeat(c.Bars[:1], maxThings+1) }, "DOCUMENT_TOO_LONG"},
		"no file time": {func(c *Custody) { c.Created = time.Time{} }, "EPCIS_INCOMPLETE"},
	} {
		c := route()
		tt.change(&c)
		_, err := EPCIS(c)
		if got := refusal.As(err); got == nil || got.Reason != tt.reason {
			t.Errorf("%s: %v, want %s", name, err, tt.reason)
		}
	}
}

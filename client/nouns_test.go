package main

import (
	"bytes"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"google.golang.org/protobuf/encoding/protojson"
	"google.golang.org/protobuf/proto"

	"barward/client/station"
	"barward/internal/assay"
	"barward/internal/settlement"
	pb "barward/proto/barward/v1"
)

// What a person types becomes exactly this event.
func TestCommandsBecomeEvents(t *testing.T) {
	f := newFake(t)
	advise(t, f)
	server, _ := f.Serve(t, "127.0.0.1:0")
	d := newDesk(t, f, server)
	key := "3b6a27bcceb6a42d62a3a8d02a6f0d73653215771de243a63ac048a18b59da29"
	prices := write(t, "prices.csv", "date,price\n2026-03-02,2350.25\n2026-03-03,2351.00\n")
	boxes := write(t, "boxes.csv", "box,bars,seals,gross\nB-1,OT-1 OT-2,SN-1;SN-2,26.1\nB-2,OT-3,SN-3,\n")
	for _, tt := range []struct {
		line string
		want string // the last event recorded, its body as JSON
	}{
		{`party register zebra --name 'Zebra Works' --kind refinery --site 'dock:12:Dock 1, north'`,
			`{"party_registered": {"party_id": "zebra", "display_name": "Zebra Works", "kind": "PARTY_KIND_REFINERY", "sites": [{"site_id": "dock", "elevation_m": "12", "display_name": "Dock 1, north"}]}}`},
		{`person enrol bo --name Bo --public-key ` + key + ` --role witness --role gold-room-officer`,
			`{"person_enrolled": {"person_id": "bo", "party_id": "ottermere", "display_name": "Bo", "public_key": "O2onvM62pC1io6jQKm8Nc2UyFXcd4kOmOsBIoYtZ2ik=", "roles": ["ROLE_WITNESS", "ROLE_GOLD_ROOM_OFFICER"]}}`},
		{`person revoke ` + key + ` --reason lost`, `{"key_revoked": {"public_key": "O2onvM62pC1io6jQKm8Nc2UyFXcd4kOmOsBIoYtZ2ik=", "reason": "lost"}}`},
		{`balance register B1 --site plant --class II --capacity '32000 g' --readability '0.1 g' --interval '1 g' --repeatability '0.2 g' --check-every 1`,
			`{"balance_registered": {"balance_id": "B1", "site": "ottermere/plant", "accuracy_class": "II", "capacity": "32000 g", "readability": "0.1 g", "verification_interval": "1 g", "repeatability": "0.2 g", "check_every_days": 1}}`},
		{`balance check B1 --point '20 kg:F1:20000.1 g'`, `{"balance_checked": {"balance": "ottermere/B1", "points": [{"nominal": "20 kg", "weight_class": "F1", "observed": "20000.1 g"}]}}`},
		{`price publish Invented --currency USD --file ` + prices, `{"prices_published": {"series": "Invented", "currency": "USD", "prices": [{"date": "2026-03-02", "price": "2350.25"}, {"date": "2026-03-03", "price": "2351.00"}]}}`},
		{`price holidays Invented --file ` + write(t, "h.csv", "date\n2026-12-25\n"), `{"holidays_published": {"calendar": "Invented", "dates": ["2026-12-25"]}}`},
		{`pour log P-7 --balance B1 --charge '61.2 kg' --slag '14.9 kg' --bar 'OT-1=100.0 g,100.1 g' --temperature 12.5 --pressure 640 --humidity 30`,
			`{"pour_recorded": {"pour_id": "P-7", "charge": "61.2 kg", "slag": "14.9 kg", "balance": "ottermere/B1", "bars": [{"mark": "OT-1", "readings": ["100.0 g", "100.1 g"]}], "air": {"temperature_c": "12.5", "pressure_hpa": "640", "humidity_percent": "30"}}}`},
		{`pour log P-8 --balance B1 --unit g --file ` + write(t, "bars.csv", "mark,reading1,reading2\nOT-2,100.0,100.1\nOT-3,200.00 g,200.00\n"),
			`{"pour_recorded": {"pour_id": "P-8", "balance": "ottermere/B1", "bars": [{"mark": "OT-2", "readings": ["100.0 g", "100.1 g"]}, {"mark": "OT-3", "readings": ["200.00 g", "200.00 g"]}]}}`},
		{`pour log P-9 --slag '1 kg' --file ` + write(t, "pour.json", `{"pour_id": "other", "balance": "ottermere/B1", "bars": [{"mark": "OT-4", "readings": ["1 g", "1 g"]}]}`),
			`{"pour_recorded": {"pour_id": "P-9", "balance": "ottermere/B1", "slag": "1 kg", "bars": [{"mark": "OT-4", "readings": ["1 g", "1 g"]}]}}`},
		{`bar weigh OT-1 --stage release --balance B1 --reading '100.0 g' --reading '100.1 g'`,
			`{"weighed": {"subject": "ottermere/OT-1", "stage": "WEIGHING_STAGE_RELEASE", "balance": "ottermere/B1", "readings": ["100.0 g", "100.1 g"]}}`},
		{`sample take S-1 --source OT-1 --method drill --position 'top A1' --packet P1:SN-801:seller`,
			`{"sample_taken": {"sample_id": "S-1", "source": "ottermere/OT-1", "method": "SAMPLE_METHOD_DRILL", "positions": ["top A1"], "packets": [{"packet_id": "P1", "seal": "SN-801", "holder": "PACKET_HOLDER_SELLER"}]}}`},
		{`assay report R-1 --sample S-1 --method 'fire assay' Au=812.30 Ag=148.05`,
			`{"assay_reported": {"assay_id": "R-1", "sample": "ottermere/S-1", "method": "fire assay", "results": [{"element": "Au", "fineness": "812.30 ppt"}, {"element": "Ag", "fineness": "148.05 ppt"}]}}`},
		{`assay report R-2 --sample S-1 --file ` + write(t, "r.csv", "element,fineness\nAu,81.23 %\n"),
			`{"assay_reported": {"assay_id": "R-2", "sample": "ottermere/S-1", "results": [{"element": "Au", "fineness": "81.23 %"}]}}`},
		{`box pack B-1 --bar OT-1 --bar OT-2 --seal SN-1 --gross '26.1 kg'`,
			`{"box_packed": {"box_id": "B-1", "bars": ["ottermere/OT-1", "ottermere/OT-2"], "seals": ["SN-1"], "gross": "26.1 kg"}}`},
		{`box pack --unit kg --file ` + boxes, `{"box_packed": {"box_id": "B-2", "bars": ["ottermere/OT-3"], "seals": ["SN-3"]}}`},
		{`consignment advise C-7 --agreement quillhaven/A-7 --carrier swiftmole --box B-1 --box B-2`,
			`{"consignment_advised": {"consignment_id": "C-7", "agreement": "quillhaven/A-7", "carrier": "swiftmole", "boxes": ["ottermere/B-1", "ottermere/B-2"]}}`},
		{`handoff release zebra/C-7 --to swiftmole --accept-by 2026-03-02T09:00:00-05:00 --transport 'flight 7' --box B-1=SN-1+SN-2`,
			`{"released": {"consignment": "zebra/C-7", "to_party": "swiftmole", "accept_by": "2026-03-02T09:00:00-05:00", "transport": "flight 7", "boxes": [{"box": "zebra/B-1", "seals": ["SN-1", "SN-2"]}]}}`},
		{`handoff accept zebra/C-7 --from ottermere --count 1 --remarks wet --file ` + write(t, "a.csv", "box,seals,gross,condition\nB-1,SN-1 SN-2,26.1 kg,lid bent\n"),
			`{"accepted": {"consignment": "zebra/C-7", "from_party": "ottermere", "count": 1, "remarks": "wet", "boxes": [{"box": "zebra/B-1", "seals": ["SN-1", "SN-2"], "gross": "26.1 kg", "condition": "lid bent"}]}}`},
		{`handoff seal zebra/B-1 --removed SN-1 --new SN-9 --reason customs`, `{"seal_replaced": {"box": "zebra/B-1", "removed_seal": "SN-1", "new_seal": "SN-9", "reason": "customs"}}`},
		{`handoff incident C-7 --describe 'late, and wet'`, `{"incident_reported": {"subject": "ottermere/C-7", "description": "late, and wet"}}`},
		{`arrival receive zebra/C-7 --box B-1 --bar Q-1 --seal SN-1 --balance W2 --reading '100.0 g' --reading '100.1 g' --condition dented`,
			`{"bar_received": {"consignment": "zebra/C-7", "box": "zebra/B-1", "bar": "zebra/Q-1", "seals": ["SN-1"], "balance": "ottermere/W2", "readings": ["100.0 g", "100.1 g"], "condition": "dented"}}`},
		{`lot open L-1 --agreement A-7 --consignment zebra/C-7 --bar Q-1 --bar aardvark/Q-2`, `{"lot_opened": {"lot_id": "L-1", "agreement": "ottermere/A-7", "bars": ["zebra/Q-1", "aardvark/Q-2"]}}`},
		{`melt record L-1 --balance M1 --before '300.0' --after '299.0' --slag '0.5' --unit g`, `{"melted": {"lot": "ottermere/L-1", "balance": "ottermere/M1", "before": "300.0 g", "after": "299.0 g", "slag": "0.5 g"}}`},
		{`exchange umpire-appoint L-1 --element Ag --laboratory greywether --packet-seal SN-802`, `{"umpire_appointed": {"lot": "ottermere/L-1", "elements": ["Ag"], "laboratory": "greywether", "packet_seal": "SN-802"}}`},
		{`exchange umpire-report quillhaven/L-1 Ag=147.60 --packet-seal SN-802`, `{"umpire_reported": {"lot": "quillhaven/L-1", "results": [{"element": "Ag", "fineness": "147.60 ppt"}], "packet_seal": "SN-802"}}`},
		{`statement advance L-1 --amount '150000.00 USD' --on 2026-03-10`, `{"advance_paid": {"lot": "ottermere/L-1", "amount": "150000.00 USD", "paid_on": "2026-03-10"}}`},
		{`statement pay ST-1 --amount='-76324.11 USD' --on 2026-04-03 --reference 'invented 77'`, `{"payment_recorded": {"statement": "ottermere/ST-1", "amount": "-76324.11 USD", "paid_on": "2026-04-03", "reference": "invented 77"}}`},
		{`discrepancy decide d41.1 --decision made_good --reason paid --conceded '412.50 USD'`, `{"discrepancy_decided": {"discrepancy": "d41.1", "decision": "DECISION_MADE_GOOD", "reason": "paid", "conceded": "412.50 USD"}}`},
	} {
		d.run(shellWords(t, tt.line)...).want(t, exitDone, "recorded as entry")
		want := &pb.Event{}
		if err := protojson.Unmarshal([]byte(tt.want), want); err != nil {
			t.Fatalf("%s: %v", tt.line, err)
		}
		got := f.Event(f.Size() - 1)
		want.EventId, want.AuthorKey, want.OccurredAt = got.EventId, got.AuthorKey, got.OccurredAt
		if !proto.Equal(got, want) {
			t.Errorf("%s\n got %s\nwant %s", tt.line, protojson.Format(got), protojson.Format(want))
		}
	}
}

// What cannot be meant is refused here, before anything is signed.
func TestCommandsRefuse(t *testing.T) {
	f := newFake(t)
	advise(t, f)
	server, _ := f.Serve(t, "127.0.0.1:0")
	d := newDesk(t, f, server)
	for _, tt := range []struct{ line, part string }{
		{`party register zebra --name Z --kind smelter`, "--kind: \"smelter\" is none of operator, mine, carrier, refinery, laboratory, vault, auditor."},
		{`party register zebra --name Z --kind mine --site plant`, `"plant" is not of the form site:elevation in metres:name.`},
		{`person enrol bo --name Bo --public-key abc --role witness`, "KEY_ID_MALFORMED"},
		{`pour log P-7 --balance B1`, "BARS_MISSING"},
		{`pour log P-7 --balance B1 --bar 'OT-1=100.0,100.1'`, "--unit"},
		{`pour log P-7 --balance B1 --file /nowhere/bars.csv`, "FILE_NOT_READ"},
		{`pour log P-7 --balance B1 --file ` + write(t, "bars.csv", "mark,reading1,reading2\nOT-1,1 g,1 g\nOT-2,1 g,1e3 g\n"), "Row 3"},
		{`price publish S --currency USD --file ` + write(t, "p.csv", "date,price\n2026-03-02,1\n2026-02-30,1\n"), "Row 3: \"2026-02-30\" is no date"},
		{`price publish S --currency USD --file ` + write(t, "p.csv", "date,price\n2026-03-02,0\n"), "Row 2: 0 is not more than zero"},
		{`bar weigh OT-1 --stage later --balance B1 --reading '1 g' --reading '1 g'`, "pour, release, transit, arrival, recheck"},
		{`assay report R-1 --sample S-1`, "RESULTS_MISSING"},
		{`assay report R-1 --sample S-1 Au=1200`, "FINENESS_OUT_OF_RANGE"},
		{`assay report R-1 --sample S-1 --file ` + write(t, "w.json", `{"run": "1"}`), "REFUSED"},
		{`handoff release C-7 --to x --accept-by tomorrow`, "TIME_MALFORMED"},
		{`handoff incident C-7 --describe x --at 2026-03-02T07:40:00`, "TIME_MALFORMED"},
		{`lot open L-1 --agreement A-7 --all-received`, "CONSIGNMENT_MISSING"},
		{`exchange reveal quillhaven/L-1`, "RESULT_NOT_SEALED"},
		{`agreement sign A-7 --file ` + write(t, "t.json", `{"id": "A-7"}`), "TERMS_INCOMPLETE"},
		{`bar show OT-9`, "there is no bar ottermere/OT-9"},
		{`ledger outbox dismiss 7`, "EVENT_ID_MALFORMED"},
	} {
		d.run(shellWords(t, tt.line)...).want(t, exitRefused, tt.part)
	}
	if f.Size() != 0 {
		t.Errorf("%d entries of refused commands", f.Size())
	}
	d.run("ledger", "outbox").want(t, exitDone, "None.")
}

// The sealed result opens its own commitment and nothing else does.
func TestExchangeCommitAndReveal(t *testing.T) {
	f := newFake(t)
	f.Set(pb.ThingKind_THING_KIND_LOT, "quillhaven/L-1",
		&pb.Thing{Thing: &pb.Thing_Lot{Lot: &pb.Lot{Name: "quillhaven/L-1", Party: "quillhaven", Seller: "ottermere"}}})
	f.Set(pb.ThingKind_THING_KIND_LOT, "zebra/L-2", &pb.Thing{Thing: &pb.Thing_Lot{Lot: &pb.Lot{Name: "zebra/L-2",
		Party: "zebra", Seller: "aardvark"}}})
	server, _ := f.Serve(t, "127.0.0.1:0")
	d := newDesk(t, f, server)
	d.run("exchange", "commit", "zebra/L-2", "Au=812.30").want(t, exitRefused, "SIDE_UNKNOWN")
	d.run("exchange", "commit", "quillhaven/L-1", "Au=812.30", "Ag=148.05").want(t, exitDone,
		"recorded as entry 0: result committed")
	files, err := filepath.Glob(filepath.Join(d.home, "sealed", "*"))
	if err != nil || len(files) != 1 {
		t.Fatalf("sealed files %v (%v)", files, err)
	}
	if info, err := os.Stat(files[0]); err != nil || info.Mode().Perm() != 0o600 {
		t.Errorf("the sealed result has mode %v (%v)", info.Mode(), err)
	}
	d.run("exchange", "commit", "quillhaven/L-1", "Au=812.31").want(t, exitRefused, "RESULT_SEALED_ALREADY")
	d.run("exchange", "reveal", "quillhaven/L-1").want(t, exitRefused, "REVEAL_BEFORE_COMMITS")
	other := newDesk(t, f, server)
	other.record(&pb.ResultCommitted{Lot: "quillhaven/L-1", Round: 1})
	steps := []*pb.ExchangeStep{{Action: "committed", Side: "seller", Round: 1}, {Action: "committed", Side: "refiner", Round: 1, Entry: 1}}
	lot := func(steps ...*pb.ExchangeStep) {
		f.Set(pb.ThingKind_THING_KIND_LOT, "quillhaven/L-1", &pb.Thing{Thing: &pb.Thing_Lot{Lot: &pb.Lot{Name: "quillhaven/L-1",
			Party: "quillhaven", Seller: "ottermere", Steps: steps}}})
	}
	lot(steps...)
	d.run("exchange", "show", "quillhaven/L-1", "-o", "csv").want(t, exitDone, "our result of lot quillhaven/L-1 is open now, entry 2")
	lot(append(steps, &pb.ExchangeStep{Action: "revealed", Side: "seller", Round: 1, Entry: 2})...)
	d.run("exchange", "reveal", "quillhaven/L-1").want(t, exitDone, "revealed already (entry 2)")
	d.run("ledger", "send").want(t, exitDone, "Nothing waits.")
	d.run("exchange", "watch").want(t, exitDone, "Nothing is sealed here any more.")
	if f.Size() != 3 {
		t.Errorf("%d entries, want 3: it is revealed once", f.Size())
	}
	committed, revealed := f.Event(0).GetResultCommitted(), f.Event(2).GetResultRevealed()
	if strings.Join(committed.GetElements(), " ") != "Au Ag" || committed.GetRound() != 1 {
		t.Errorf("committed %v", committed)
	}
	results, err := station.PureResults(revealed.GetResults())
	if err != nil {
		t.Fatal(err)
	}
	opens := func(side assay.Side, round int) bool {
		return assay.VerifyReveal([32]byte(committed.GetCommitment()), "quillhaven/L-1", side, round, results,
			[32]byte(revealed.GetNonce())) == nil
	}
	if !opens(assay.Seller, 1) || opens(assay.Refiner, 1) || opens(assay.Seller, 2) {
		t.Errorf("opens as seller %v, as refiner %v, in round 2 %v", opens(assay.Seller, 1), opens(assay.Refiner, 1),
			opens(assay.Seller, 2))
	}
	d.run("exchange", "commit", "quillhaven/L-1", "Au=812.31", "--again").want(t, exitRefused, "ALREADY_COMMITTED")
	lot()
	d.run("exchange", "commit", "quillhaven/L-1", "Au=812.31", "--again").want(t, exitDone)
	if bytes.Equal(f.Event(3).GetResultCommitted().GetCommitment(), committed.GetCommitment()) {
		t.Error("two commitments are the same")
	}
}

// At the bench: a pair that disagrees is asked for again, and the total runs.
func TestAtTheBench(t *testing.T) {
	f := newFake(t)
	advise(t, f)
	server, stop := f.Serve(t, "127.0.0.1:0")
	d := newDesk(t, f, server)
	bench := func(typed string) ([]*pb.PouredBar, string) {
		t.Helper()
		var out bytes.Buffer
		a := newApp(t.Context(), &globals{Key: d.file, PassphraseFile: d.secret, Home: d.home, Server: server,
			Timeout: 1e10, Output: "table"}, strings.NewReader(typed), &out, &out)
		defer a.close()
		bars, err := a.atTheBench("ottermere/W2", "")
		if err != nil {
			t.Fatal(err)
		}
		return bars, out.String()
	}
	typed := "OT-1\n20000.0\n20000.1\nOT-2\n10000.05\n10000.0\n10000.5\n10000.4\n10000.4 g\nOT-3\n1.0\n9.0\nkeep\nOT-4\n5.0\n5.0\nundo\n\nyes\n"
	check := func(bars []*pb.PouredBar, out string) {
		t.Helper()
		if len(bars) != 3 || strings.Join(bars[0].GetReadings(),
			" ") != "20000.0 g 20000.1 g" || strings.Join(bars[1].GetReadings(), " ") != "10000.4 g 10000.4 g" ||
			strings.Join(bars[2].GetReadings(), " ") != "1.0 g 9.0 g" {
			t.Errorf("bars %v", bars)
		}
		for _, part := range []string{"✓ OT-1 20000.0 g; 1 bar, total 20000.0 g", "is finer than this balance shows",
			"the readings are 0.5 g apart, above the repeatability of 0.2 g", "✓ OT-2 10000.4 g; 2 bars, total 30000.4 g"} {
			if !strings.Contains(out, part) {
				t.Errorf("no %q in %s", part, out)
			}
		}
	}
	bars, out := bench(typed)
	check(bars, out)
	stop() // the balance is known from before
	bars, out = bench(typed)
	check(bars, out)
}

func TestRoutesAndStatements(t *testing.T) {
	f := newFake(t)
	figures, err := os.ReadFile(filepath.Join("..", "internal", "settlement", "testdata", "full_settlement.json"))
	if err != nil {
		t.Fatal(err)
	}
	settled, err := settlement.Preview(figures)
	if err != nil {
		t.Fatal(err)
	}
	for name, net := range map[string]string{"ottermere/ST-1": settled.Net.String(), "ottermere/ST-2": "-5.00 USD"} { // ST-2 lies
		f.Set(pb.ThingKind_THING_KIND_STATEMENT, name,
			&pb.Thing{Thing: &pb.Thing_Statement{Statement: &pb.Statement{Name: name, Lot: "quillhaven/L-1",
				Kind: pb.StatementKind_STATEMENT_KIND_FINAL, Net: net, DocumentJson: string(settled.JSON()), Digest: settled.Digest(),
				Lines: []*pb.StatementLine{{Description: "payable gold", Quantity: "1.234 oz", Amount: "10.00 USD", Refs: []string{"41"}}}}}})
	}
	f.Set(pb.ThingKind_THING_KIND_BALANCE, "ottermere/B1",
		&pb.Thing{Thing: &pb.Thing_Balance{Balance: &pb.Balance{Name: "ottermere/B1",
			Registered: &pb.BalanceRegistered{AccuracyClass: "II", Capacity: "32000 g", Readability: "0.1 g",
				VerificationInterval: "1 g", Repeatability: "0.2 g", CheckEveryDays: 1},
			Checks: []*pb.BalanceCheck{{CheckedAt: "2020-03-02T07:00:00Z", Passed: true,
				Findings: []string{"20 kg within 1 g"}}}}}})
	f.Set(pb.ThingKind_THING_KIND_SAMPLE, "ottermere/S-1",
		&pb.Thing{Thing: &pb.Thing_Sample{Sample: &pb.Sample{Name: "ottermere/S-1",
			Taken: &pb.SampleTaken{Source: "ottermere/OT-1",
				Packets: []*pb.Packet{{PacketId: "P1", Seal: "SN-1",
					Holder: pb.PacketHolder_PACKET_HOLDER_UMPIRE}}}, Assays: []*pb.AssayRecord{{Report: "ottermere/R-1", Results: []*pb.AssayResult{{Element: "Au", Fineness: "812.30 ppt"}}, Entry: 9}}}}})
	server, _ := f.Serve(t, "127.0.0.1:0")
	d := newDesk(t, f, server)
	// Reference 04, section 5: 226324.11 to the seller; by hand 2302796.10 + 5166.11 = 2307962.21 of value.
	d.run("statement", "show", "ST-1").want(t, exitDone, "final statement ottermere/ST-1", "payable gold", "1.234 oz",
		"226324.11 USD (due to the seller)", "balance Au", "value 2307962.21 − charges 663.97", "= net 226324.11 USD")
	d.run("statement", "show", "ST-1", "-o", "csv").want(t, exitDone, "ottermere/ST-1,quillhaven/L-1,final,226324.11 USD")
	d.run("statement", "show", "ST-2").want(t, exitRefused, "STATEMENT_DIFFERS")
	d.run("balance", "show", "B1").want(t, exitDone, "20 kg within 1 g")
	d.run("sample", "show", "S-1").want(t, exitDone, "P1 SN-1 umpire", "Au 812.30 ppt", "ottermere/R-1")
	d.run("sample", "show", "S-1", "-o", "json").want(t, exitDone, `"fineness": "812.30 ppt"`)
}

// These need no service, no key and no home.
func TestWithoutAService(t *testing.T) {
	alone := func(args ...string) ran {
		var out, complain bytes.Buffer
		code := run(t.Context(), append([]string{"--home", filepath.Join(t.TempDir(), "none"), "--server",
			"127.0.0.1:1"}, args...), strings.NewReader(""), &out, &complain)
		return ran{code, out.String(), complain.String()}
	}
	weighings := write(t, "w.json", `{"first": {"name": "mine", "mass": "20000.0 g", "air": {"density": "0.8"}}, "second": {"name": "refinery", "mass": "19999.5 g", "air": {"density": "1.2"}},
		"bar": {"density": "16000"}, "limit": {"absolute": "0.2 g", "relative_permille": "0", "rule": "larger"}}`)
	// By hand: 20000 g × (0.8 - 1.2) kg/m³ × (1/16000 - 1/8000) m³/kg = 0.5 g in size (form of the buoyancy correction: OIML D 28).
	alone("weighing", "compare", "--file", weighings).want(t, exitDone, "0.5")
	alone("weighing", "compare", "--file", weighings, "-o", "json").want(t, exitDone, `"difference`)
	alone("weighing", "compare", "--file", write(t, "x.json", "{}")).want(t, exitRefused, "REFUSED")
	alone("agreement", "check", "--file", write(t, "t.json", `{"id": "A-7", "version": 1, "seller": "ottermere", "refiner": "quillhaven"}`)).want(t, exitRefused, "TERMS_INCOMPLETE", "currency")
	terms := `{"element": "Au", "splitting_limits": [{"from": "0 ppt", "limit": "0.5", "unit": "ppt"}], "rounds": 1, "umpire_rule": "middle_of_three", "cost_rule": "farther_pays",
		"panel": ["greywether"], "report_days": 5, "reveal_days": 2, "umpire_days": 10, "no_report_rule": "other_conclusive",
		"mean_rounding": {"places": 2, "mode": "half_up"}, "settled_rounding": {"places": 2, "mode": "half_up"}}`
	figures := write(t, "e.json", `{"lot": "L-1", "terms": [`+terms+`], "rounds": [{"seller": [{"element": "Au", "fineness": "812.30 ppt"}], "refiner": [{"element": "Au", "fineness": "812.80 ppt"}]}]}`)
	// By hand: the difference 0.50 equals the limit and is within it; (812.30 + 812.80) / 2 = 812.55.
	alone("exchange", "preview", "--file", figures).want(t, exitDone, "812.55 ppt", "settled")
	// The two published settlements and the computed one, by terms and figures alone.
	settled := func(name string) string {
		return filepath.Join("..", "internal", "settlement", "testdata", name+".json")
	}
	alone("statement", "preview", "--file", settled("order_of_rounding")).want(t, exitDone, "732.7 oz",
		"725.4 oz") // reference 04, 4.1
	alone("statement", "preview", "--file", settled("direction_of_rounding")).want(t, exitDone,
		"14441.45 g") // reference 04, 4.2
	full := alone("statement", "preview", "--file", settled("full_settlement"), "-o", "json").want(t, exitDone, `"226324.11 USD"`) // reference 04, section 5
	alone("statement", "explain", "net", "--file", write(t, "s.json", full.out)).want(t, exitDone, "226324.11 USD")
	alone("statement", "explain", "nothing", "--file", write(t, "s.json", full.out)).want(t, exitRefused, "LINE_UNKNOWN")
	alone("bar", "show", "ottermere/OT-1").want(t, exitRefused, "KEY_MISSING")
}

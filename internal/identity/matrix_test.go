package identity

import (
	"flag"
	"fmt"
	"os"
	"slices"
	"strings"
	"testing"

	"barward/internal/refusal"
)

var update = flag.Bool("update", false, "write the golden files anew")

// grid prints May for every event, kind of party and role: one line an event and kind, a letter a role.
func grid() string {
	letters := map[Role]string{Administrator: "D", GoldRoomOfficer: "G", Witness: "W", Custodian: "C", ReceivingClerk: "R",
		Assayer: "A", CommercialManager: "M", Auditor: "U"}
	var b strings.Builder
	b.WriteString("D administrator, G gold room officer, W witness, C custodian, R receiving clerk, A assayer,\n" +
		"M commercial manager, U auditor; a dot is not allowed\n\n")
	for _, event := range EventKinds {
		for _, kind := range PartyKinds {
			fmt.Fprintf(&b, "%-20s %-10s ", event, kind)
			for _, role := range Roles {
				if May(kind, role, event) {
					b.WriteString(letters[role])
				} else {
					b.WriteString(".")
				}
			}
			b.WriteString("\n")
		}
	}
	return b.String()
}

// The golden files prove only that nothing changed unseen; the rules below say what must hold.
func TestMatrixGolden(t *testing.T) {
	for path, got := range map[string]string{"testdata/matrix.txt": MatrixText(), "testdata/grid.txt": grid()} {
		if *update {
			if err := os.WriteFile(path, []byte(got), 0o644); err != nil {
				t.Fatal(err)
			}
		}
		want, err := os.ReadFile(path)
		if err != nil {
			t.Fatal(err)
		}
		if got != string(want) {
			t.Errorf("%s differs; read the change, then run the test with -update", path)
		}
	}
}

// Each rule is stated without the table, and tried on every cell of it.
func TestMatrixRules(t *testing.T) {
	metal := []EventKind{PourRecorded, Weighed, SampleTaken, AssayReported, BoxPacked, ConsignmentAdvised, Released, Accepted,
		SealReplaced, BarReceived, LotOpened, Melted, ResultCommitted, ResultRevealed, UmpireReported}
	money := []EventKind{AgreementSigned, PricesPublished, HolidaysPublished, UmpireAppointed, SilenceDeclared, CostRecorded, AdvancePaid, StatementIssued,
		ReturnReceived, PaymentRecorded, DiscrepancyDecided}
	everybodys := []EventKind{KeyRotated, CheckpointCosigned} // about the author's own key, and what the author verified
	own := []EventKind{PersonEnrolled, PartyChanged, KeyRevoked, KeyRecovered, Corrected, Countersigned}
	onlyBy := map[EventKind]PartyKind{PartyRegistered: Operator, PourRecorded: Mine, BoxPacked: Mine, ConsignmentAdvised: Mine,
		ReturnReceived: Mine, BarReceived: Refinery, LotOpened: Refinery, Melted: Refinery, AdvancePaid: Refinery,
		UmpireReported: Laboratory}
	rules := []struct {
		rule string
		no   func(k PartyKind, r Role, e EventKind) bool
	}{
		{"an auditor records nothing but their own key and what they verified", func(_ PartyKind, r Role, e EventKind) bool {
			return r == Auditor && !slices.Contains(everybodys, e)
		}},
		{"a party of auditors records only itself and its persons", func(k PartyKind, r Role, e EventKind) bool {
			return k == Auditors && !slices.Contains(everybodys, e) && (r != Administrator || !slices.Contains(own, e))
		}},
		{"the operator has no hand in metal or money, and does not vouch for its own log", func(k PartyKind, r Role, e EventKind) bool {
			return k == Operator && (slices.Contains(metal, e) || slices.Contains(money, e) || e == CheckpointCosigned ||
				e == AccessGranted || e == Countersigned && r != Administrator)
		}},
		{"only who owns metal or money lets others look", func(k PartyKind, r Role, e EventKind) bool {
			return (e == AccessGranted || e == AccessWithdrawn) && (k != Mine && k != Refinery || r != CommercialManager)
		}},
		{"an administrator records neither metal nor money", func(_ PartyKind, r Role, e EventKind) bool {
			return r == Administrator && (slices.Contains(metal, e) || slices.Contains(money, e))
		}},
		{"only an administrator touches the registry of persons, parties and balances", func(_ PartyKind, r Role, e EventKind) bool {
			return r != Administrator && slices.Contains([]EventKind{PartyRegistered, PartyChanged, PersonEnrolled, KeyRevoked, KeyRecovered,
				BalanceRegistered}, e)
		}},
		{"only a commercial manager moves money", func(_ PartyKind, r Role, e EventKind) bool {
			return r != CommercialManager && slices.Contains(money, e)
		}},
		{"who negotiates the money does not weigh, sample, assay or hand over", func(_ PartyKind, r Role, e EventKind) bool {
			return r == CommercialManager && slices.Contains([]EventKind{PourRecorded, Weighed, SampleTaken, AssayReported,
				Released, Accepted, SealReplaced, BarReceived, Melted, UmpireReported, BalanceChecked}, e)
		}},
		{"a witness only countersigns and reports", func(_ PartyKind, r Role, e EventKind) bool {
			return r == Witness && e != Countersigned && e != IncidentReported && !slices.Contains(everybodys, e)
		}},
		{"only an assayer reports an assay", func(_ PartyKind, r Role, e EventKind) bool {
			return r != Assayer && (e == AssayReported || e == UmpireReported)
		}},
		{"a carrier and a vault neither assay nor see money move", func(k PartyKind, _ Role, e EventKind) bool {
			return (k == Carrier || k == Vault) && (slices.Contains(money, e) && e != DiscrepancyDecided ||
				slices.Contains([]EventKind{SampleTaken, AssayReported, ResultCommitted, ResultRevealed, UmpireReported}, e))
		}},
		{"an independent laboratory takes no side in an exchange", func(k PartyKind, _ Role, e EventKind) bool {
			return k == Laboratory && (e == ResultCommitted || e == ResultRevealed || slices.Contains(money, e))
		}},
		{"some events belong to one kind of party", func(k PartyKind, _ Role, e EventKind) bool {
			only, is := onlyBy[e]
			return is && k != only
		}},
	}
	for _, rule := range rules {
		for _, e := range EventKinds {
			for _, k := range PartyKinds {
				for _, r := range Roles {
					if rule.no(k, r, e) && May(k, r, e) {
						t.Errorf("%s; but %s of a %s may record %s", rule.rule, r, k, e)
					}
				}
			}
		}
	}
	// And what people need for their day's work, desk by desk.
	for _, c := range []struct {
		kind PartyKind
		role Role
		must []EventKind
	}{
		{Mine, GoldRoomOfficer, []EventKind{BalanceChecked, PourRecorded, Weighed, SampleTaken, BoxPacked, ConsignmentAdvised,
			Released, SealReplaced, IncidentReported, Corrected}},
		{Mine, Witness, []EventKind{Countersigned}},
		{Mine, Assayer, []EventKind{AssayReported, ResultCommitted, ResultRevealed}},
		{Mine, CommercialManager, []EventKind{AgreementSigned, StatementIssued, ReturnReceived, UmpireAppointed, Countersigned,
			DiscrepancyDecided, PaymentRecorded}},
		{Carrier, Custodian, []EventKind{Accepted, Released, SealReplaced, IncidentReported}},
		{Refinery, ReceivingClerk, []EventKind{Accepted, BarReceived, LotOpened, Melted, Weighed, SampleTaken}},
		{Refinery, Assayer, []EventKind{AssayReported, ResultCommitted, ResultRevealed}},
		{Refinery, CommercialManager, []EventKind{AdvancePaid, StatementIssued, PaymentRecorded, Countersigned}},
		{Laboratory, Assayer, []EventKind{UmpireReported, Accepted}},
		{Vault, Custodian, []EventKind{Accepted, Released}},
		{Operator, Administrator, []EventKind{PartyRegistered, PersonEnrolled}},
	} {
		for _, e := range c.must {
			if !May(c.kind, c.role, e) {
				t.Errorf("%s of a %s may not record %s", c.role, c.kind, e)
			}
		}
	}
}

// The table itself: every line has a reason, names only what exists, and nothing twice; every event has somebody.
func TestMatrixIsWellFormed(t *testing.T) {
	if len(EventKinds) != 40 { // by hand: the tables of events of the design, 8+6+4+3+5+6+2, and 6 of keys, sight and proof
		t.Errorf("%d kinds of event", len(EventKinds))
	}
	cells := map[string]int{}
	for i, l := range matrix {
		if len(l.why) < 10 || len(l.events) == 0 || len(l.parties) == 0 || len(l.roles) == 0 {
			t.Errorf("line %d has a gap: %+v", i, l)
		}
		for _, e := range l.events {
			for _, k := range l.parties {
				for _, r := range l.roles {
					if !slices.Contains(EventKinds, e) || !slices.Contains(PartyKinds, k) || !slices.Contains(Roles, r) {
						t.Errorf("line %d names %s, %s, %s, one of which is not listed", i, e, k, r)
					}
					cell := fmt.Sprint(e, k, r)
					if cells[cell]++; cells[cell] > 1 {
						t.Errorf("line %d says again that %s of a %s may record %s", i, r, k, e)
					}
				}
			}
		}
	}
	for _, e := range EventKinds {
		if WhoMay(e) == "" {
			t.Errorf("nobody may record %s", e)
		}
	}
}

func TestUnknownIsNotAllowed(t *testing.T) {
	for _, bad := range []string{"", "Mine", "mine ", "*", "administrator\x00", "root"} {
		if May(PartyKind(bad), Administrator, PersonEnrolled) || May(Mine, Role(bad), PersonEnrolled) ||
			May(Mine, Administrator, EventKind(bad)) || Sees(PartyKind(bad), Registry) || Sees(Mine, What(bad)) {
			t.Errorf("%q is allowed something", bad)
		}
		_, err := ParsePartyKind(bad)
		wantReason(t, err, "PARTY_KIND_UNKNOWN")
		_, err = ParseRole(bad)
		wantReason(t, err, "ROLE_UNKNOWN")
	}
	for _, k := range PartyKinds {
		if got, err := ParsePartyKind(string(k)); err != nil || got != k {
			t.Errorf("%s: %v", k, err)
		}
	}
	for _, r := range Roles {
		if got, err := ParseRole(string(r)); err != nil || got != r {
			t.Errorf("%s: %v", r, err)
		}
	}
}

// CheckMay agrees with May for every caller of one role, and says who may.
func TestCheckMay(t *testing.T) {
	for _, e := range EventKinds {
		for _, k := range PartyKinds {
			for _, r := range Roles {
				err := CheckMay(Caller{PartyKind: k, Roles: []Role{r}}, e)
				if (err == nil) != May(k, r, e) {
					t.Fatalf("%s of a %s, %s: %v", r, k, e, err)
				}
				if err == nil {
					continue
				}
				f := refusal.As(err)
				if f.Kind != refusal.Forbidden || f.Reason != "ROLE_DOES_NOT_ALLOW" || !strings.Contains(f.Text, WhoMay(e)) ||
					!strings.Contains(f.Text, string(e)) {
					t.Fatalf("the refusal is %+v", f)
				}
			}
		}
	}
	if err := CheckMay(Caller{PartyKind: Mine, Roles: []Role{Witness, Assayer}}, AssayReported); err != nil {
		t.Errorf("the second of two roles: %v", err)
	}
	wantReason(t, CheckMay(Caller{PartyKind: Mine}, PourRecorded), "ROLE_DOES_NOT_ALLOW")
	err := CheckMay(Caller{PartyKind: Mine, Roles: []Role{Administrator}}, EventKind("pour\x1b[2J"))
	wantReason(t, err, "ROLE_DOES_NOT_ALLOW")
	if err != nil && strings.Contains(err.Error(), "\x1b") {
		t.Error("the refusal carries a control character to the terminal")
	}
}

// By hand, from the job's description: carriers and vaults see boxes and seals, not assays or money; the umpire does not
// see the parties' results; mine, refinery and auditor see all that concerns them; the operator only the registry.
func TestSees(t *testing.T) {
	want := map[PartyKind]string{Mine: "rcam", Refinery: "rcam", Auditors: "rcam", Carrier: "rc", Vault: "rc", Laboratory: "r",
		Operator: "r"}
	for _, kind := range PartyKinds {
		got := ""
		for _, what := range Whats {
			if Sees(kind, what) {
				got += string(what[0])
			}
		}
		if got != want[kind] {
			t.Errorf("%s sees %s, want %s", kind, got, want[kind])
		}
	}
}

package evidence

import (
	"bytes"
	"crypto/sha256"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"barward/internal/ledger/proof"
	"barward/internal/settlement"
	pb "barward/proto/barward/v1"
)

// The lot's statement is computed again from what was signed. Net sums by hand, from the terms in testdata/demo: 99095
// g at 813.76 and 146.80 ppt are 2592.622 and 467.702 oz fine, 2590.029 and 458.347 oz payable; at 2940.45 and 33.1850
// they are 7615850.77 and 15210.25; less 1752.81, 1036.01, 450.00 and the umpire's 640.00. With 99091 g: 7626872.90, as
// in the test of the demonstration.
func TestStatementsAreComputedAgain(t *testing.T) {
	w := settled(t)
	r := w.sound(w.pack(settledLot, "quillmoss/lucan"))
	if len(r.Statements) != 2 {
		t.Fatalf("%d statements", len(r.Statements))
	}
	for i, want := range []string{"7627182.20 USD", "7626872.90 USD"} {
		s := r.Statements[i]
		if s.Net != want || s.By != "quillmoss/lucan" || len(s.Agreed) != 1 || len(s.Differences) != 0 || len(s.Rests) < 8 {
			t.Errorf("statement %s: %+v, by hand %s", s.Name, s, want)
		}
	}
}

func TestStatementAttacks(t *testing.T) {
	const lucan = "quillmoss/lucan"
	first := settled(t)
	issued := first.documents[0].Issued
	document := numbered(statementFolder, issued, statementEnd)
	rests := map[string]uint64{}
	for n, e := range first.events {
		switch {
		case e.GetBarReceived() != nil:
			rests["receipt"] = uint64(n)
		case e.GetMelted() != nil:
			rests["melt"] = uint64(n)
		case e.GetPricesPublished() != nil:
			rests["price"] = uint64(n) // the last is the later half of the silver
		case e.GetUmpireReported() != nil:
			rests["umpire"] = uint64(n)
		case e.GetAgreementSigned() != nil:
			rests["agreement"], rests["other party's signature under the agreement"] = uint64(n), uint64(n+1)
		case e.GetBalanceRegistered() != nil:
			rests["balance"] = uint64(n)
		}
	}
	without := func(what string) func([]member) []member {
		return without(entryName(rests[what]), numbered(pathFolder, rests[what], pathEnd))
	}
	for name, tt := range map[string]struct {
		change  func([]member) []member
		reasons []string
	}{
		"a figure changed": {with(document, func(b []byte) []byte {
			return bytes.ReplaceAll(b, []byte("7615850.77"),
				[]byte("7615850.78"))
		}),
			[]string{"STATEMENT_ALTERED"}},
		"figures changed so that it balances": {with(document, func(b []byte) []byte { return raised(t, b) }),
			[]string{"STATEMENT_ALTERED", "STATEMENT_DIFFERS"}},
		"a word changed": {with(document, func(b []byte) []byte {
			return bytes.Replace(b, []byte("melt loss"),
				[]byte("melt lose"), 1)
		}),
			[]string{"STATEMENT_ALTERED", "STATEMENT_DIFFERS"}},
		"no statement any more": {with(document, func([]byte) []byte { return []byte("{}\n") }),
			[]string{"STATEMENT_ALTERED", "STATEMENT_MALFORMED"}},
		"the document left out": {func(m []member) []member {
			return slices.Delete(m, index(m, document), index(m,
				document)+1)
		}, []string{"STATEMENT_MISSING"}},
		"the receipt left out":         {without("receipt"), []string{"ENTRY_MISSING", "STATEMENT_NOT_COMPUTED"}},
		"the melt left out":            {without("melt"), []string{"ENTRY_MISSING", "STATEMENT_NOT_COMPUTED"}},
		"a price left out":             {without("price"), []string{"ENTRY_MISSING", "STATEMENT_NOT_COMPUTED"}},
		"the umpire's report left out": {without("umpire"), []string{"ENTRY_MISSING", "STATEMENT_NOT_COMPUTED"}},
		"the agreement left out":       {without("agreement"), []string{"STATEMENT_NOT_COMPUTED"}},
		"the other party's signature under the agreement left out": {without("other party's signature under the agreement"),
			[]string{"STATEMENT_NOT_COMPUTED"}},
		"the balance left out": {without("balance"), []string{"STATEMENT_NOT_COMPUTED"}},
		"a statement that nobody issued": {func(m []member) []member {
			return append(m, member{numbered(statementFolder, 3, statementEnd), m[index(m, document)].data})
		}, []string{"STATEMENT_NOT_ISSUED"}},
		"the issue left out, the rest not": {func(m []member) []member {
			return slices.DeleteFunc(m, func(m member) bool {
				return m.name == entryName(issued) || m.name == numbered(pathFolder, issued, pathEnd)
			})
		}, []string{"STATEMENT_NOT_ISSUED"}},
	} {
		t.Run(name, func(t *testing.T) {
			w := settled(t)
			file := w.resealTold(w.write(w.pack(settledLot, lucan)), lucan, tt.change)
			w.wantFinding(file, tt.reasons...)
		})
	}
}

// raised changes the price of gold on a statement, and everything that follows from it, so that the statement balances.
func raised(t *testing.T, document []byte) []byte {
	text := string(document)
	for _, change := range [][2]string{{"7615850.77", "7615851.77"}, {"7631061.02", "7631062.02"}, {"7627182.20",
		"7627183.20"}} {
		if !strings.Contains(text, change[0]) {
			t.Fatalf("no %s on the statement", change[0])
		}
		text = strings.ReplaceAll(text, change[0], change[1])
	}
	if _, err := settlement.ParseStatement([]byte(text)); err != nil {
		t.Fatalf("the forged statement does not balance: %v", err)
	}
	return []byte(text)
}

// An issuer signs the digest of figures that the entries do not come to, and a service lets it through: the pack tells
// the figures apart.
func TestAnIssuerWhoMisstates(t *testing.T) {
	w, _ := exchanged(t)
	issued := &pb.StatementIssued{StatementId: "ST-1", Lot: "thistlequay/L-1",
		Kind: pb.StatementKind_STATEMENT_KIND_FINAL, SettledOn: "2025-04-04"}
	forged := raised(t, w.compute(issued).JSON())
	st, err := settlement.ParseStatement(forged)
	if err != nil {
		t.Fatal(err)
	}
	issued.Digest = st.Digest()
	n := w.record("quillmoss/lucan", issued)
	w.documents = append(w.documents, Statement{n, forged})
	file := w.write(w.pack(settledLot, "quillmoss/lucan"))
	w.wantFinding(file, "STATEMENT_DIFFERS")
	r := Verify(w.read(file), w.logKey)
	told := strings.Join(r.Statements[0].Differences, "\n")
	for _, want := range []string{"the net is stated as 7627183.20 USD and comes to 7627182.20 USD",
		"line value/Au is stated as 2590.029 oz at 2940.45 USD/oz 7615851.77 USD"} {
		if !strings.Contains(told, want) {
			t.Errorf("it does not say that %s:\n%s", want, told)
		}
	}
}

// Terms count when the other party has signed the same bytes, and not before.
func TestTermsNeedBothParties(t *testing.T) {
	for name, tt := range map[string]struct {
		by   string
		sum  func([]byte) []byte
		want int
	}{
		"the other party":           {"thistlequay/fennimore", func(sum []byte) []byte { return sum }, 1},
		"a colleague":               {"quillmoss/wren", func(sum []byte) []byte { return sum }, 0},
		"a third party":             {"umbercount/umbra", func(sum []byte) []byte { return sum }, 0},
		"another text":              {"thistlequay/fennimore", func([]byte) []byte { return make([]byte, 32) }, 0},
		"the beginning of the hash": {"thistlequay/fennimore", func(sum []byte) []byte { return sum[:16] }, 0},
	} {
		t.Run(name, func(t *testing.T) {
			w := empty(t)
			w.people()
			terms, err := os.ReadFile(filepath.Join("..", "..", "testdata", "demo", "agreement.json"))
			if err != nil {
				t.Fatal(err)
			}
			n := w.record("quillmoss/lucan", &pb.AgreementSigned{AgreementId: "A-1", TermsJson: string(terms)})
			leaf, err := proof.ParseLeaf(w.entries[n].Leaf)
			if err != nil {
				t.Fatal(err)
			}
			sum := sha256.Sum256(leaf.Event)
			w.record(tt.by, &pb.Countersigned{EventId: w.events[n].EventId, EventSha256: tt.sum(sum[:])})
			records, _ := (&Pack{Entries: w.entries}).records()
			register(records)
			a := newAccount()
			for _, r := range records {
				a.read(r)
			}
			if len(a.terms) != tt.want {
				t.Errorf("%d agreements are in force, not %d", len(a.terms), tt.want)
			}
		})
	}
}

package evidence

import (
	"bytes"
	"crypto/sha256"
	"encoding/hex"
	"fmt"
	"slices"
	"strconv"
	"strings"

	"barward/internal/refusal"
	"barward/internal/settlement"
)

// Recomputed is a statement computed again from the signed entries of the pack.
type Recomputed struct {
	Name        string   // as `party/number`
	Lot         string   // as `party/number`
	Issued      uint64   // entry of its issue
	By          string   // who issued it
	Agreed      []string // who countersigned it
	Net         string   // as computed here
	Digest      string   // as computed here
	Rests       []uint64 // entries that its figures rest on
	Differences []string // figures that differ: as stated, and as computed here
	Words       string
}

// statements computes every statement of the pack again and compares it, figure by figure, with the document and with
// the digest that its issuer signed.
func (v *verification) statements() {
	account := newAccount()
	documents := map[uint64][]byte{}
	for _, s := range v.p.Statements {
		documents[s.Issued] = s.Document
	}
	for _, r := range v.records {
		if r.author == nil {
			continue // a finding already: what nobody vouches for moves no figure
		}
		if issued := r.event.GetStatementIssued(); issued != nil {
			st, err := account.state(r, issued)
			v.compare(r, account, st, err, documents[r.sequence])
			delete(documents, r.sequence)
		}
		account.read(r)
	}
	for issued := range documents {
		v.object("STATEMENT_NOT_ISSUED", numbered(statementFolder, issued, statementEnd),
			"There is a statement that no entry in the pack issues.")
	}
}

// compare sets what was computed beside what was stated and what was signed.
func (v *verification) compare(r *record, a *account, st settlement.Statement, failed error, document []byte) {
	issued := r.event.GetStatementIssued()
	member := numbered(statementFolder, r.sequence, statementEnd)
	out := Recomputed{Name: r.party() + "/" + issued.StatementId, Lot: issued.Lot, Issued: r.sequence, By: r.by(),
		Agreed: v.agreed(r)}
	if document == nil {
		v.object("STATEMENT_MISSING", member, "Entry %d issues the statement %s, and the pack does not hold it.",
			r.sequence, out.Name)
		return
	}
	if sum := sha256.Sum256(document); hex.EncodeToString(sum[:]) != issued.Digest {
		v.object("STATEMENT_ALTERED", member,
			"The statement %s in the pack is not the one that %s issued with entry %d: its digest is another.",
			out.Name, out.By, r.sequence)
	}
	stated, err := settlement.ParseStatement(document)
	if err != nil {
		v.object("STATEMENT_MALFORMED", member, "The statement %s cannot be read: %s", out.Name, textOf(err))
		return
	}
	out.Rests = rests(stated)
	for _, n := range out.Rests {
		if _, there := slices.BinarySearchFunc(v.records, n, func(e *record, n uint64) int {
			return compare(e.sequence, n)
		}); !there || n >= r.sequence {
			v.object("ENTRY_MISSING", member, "The statement %s rests on entry %d, which is not in the pack.", out.Name, n)
		}
	}
	if failed != nil {
		v.object("STATEMENT_NOT_COMPUTED", member, "The statement %s cannot be computed from the entries of the pack: %s",
			out.Name, textOf(failed))
		return
	}
	out.Net, out.Digest = st.Net.String(), st.Digest()
	if !bytes.Equal(st.JSON(), document) {
		out.Differences = differences(stated, st)
		v.object("STATEMENT_DIFFERS", member, "The statement %s is not what its entries come to: %s.", out.Name,
			strings.Join(out.Differences, "; "))
	}
	agreed := "Nobody countersigned it here."
	if len(out.Agreed) > 0 {
		agreed = "Countersigned by " + strings.Join(out.Agreed, ", ") + "."
	}
	out.Words = fmt.Sprintf("The statement %s of lot %s comes to %s under the agreement %s, which both parties "+
		"signed. It "+
		"was computed again from the signed weights, assays, terms and prices of %s, and every figure is the one that %s "+
		"signed with entry %d. %s",
		out.Name, out.Lot, out.Net, a.lots[out.Lot].agreement, list(out.Rests), out.By, out.Issued, agreed)
	v.report.Statements = append(v.report.Statements, out)
}

// agreed returns who of another party countersigned an entry, by the hash of what was signed.
func (v *verification) agreed(target *record) (names []string) {
	sum := sha256.Sum256(target.leaf.Event)
	for _, r := range v.records {
		c := r.event.GetCountersigned()
		if c != nil && r.author != nil && c.EventId == target.id && bytes.Equal(c.EventSha256, sum[:]) &&
			r.party() != target.party() {
			names = append(names, fmt.Sprintf("%s (entry %d)", r.by(), r.sequence))
		}
	}
	return names
}

// rests returns the entries that a statement names, each once, in order.
func rests(s settlement.Statement) (entries []uint64) {
	add := func(refs []settlement.Ref) {
		for _, ref := range refs {
			number, ok := strings.CutPrefix(string(ref), "entry ")
			if n, err := strconv.ParseUint(number, 10, 48); ok && err == nil {
				entries = append(entries, n)
			}
		}
	}
	for _, l := range s.Lines {
		add(l.Refs)
	}
	for _, f := range s.Flags {
		add(f.Refs)
	}
	slices.Sort(entries)
	return slices.Compact(entries)
}

// differences lists the figures that differ, at most maxListed.
func differences(stated, computed settlement.Statement) (found []string) {
	add := func(what, theirs, ours string) {
		if theirs != ours {
			found = append(found, fmt.Sprintf("%s is stated as %s and comes to %s", what, theirs, ours))
		}
	}
	add("the net", stated.Net.String(), computed.Net.String())
	add("the value date", stated.ValueDate.String(), computed.ValueDate.String())
	before := map[string]settlement.Line{}
	for _, l := range stated.Lines {
		before[l.Path()] = l
	}
	for _, l := range computed.Lines {
		s, ok := before[l.Path()]
		delete(before, l.Path())
		if !ok {
			add("line "+l.Path(), "nothing", figures(l))
			continue
		}
		add("line "+l.Path(), figures(s), figures(l))
	}
	for _, l := range stated.Lines {
		if _, left := before[l.Path()]; left {
			add("line "+l.Path(), figures(l), "nothing")
		}
	}
	if len(found) == 0 {
		return []string{"no figure differs, but a word, a term, a reference or a step of rounding does"}
	}
	if more := len(found) - maxListed; more > 0 {
		found = append(found[:maxListed], fmt.Sprintf("and %d more", more))
	}
	return found
}

// figures is what a line states, in words.
func figures(l settlement.Line) string {
	var parts []string
	if l.Quantity != nil {
		parts = append(parts, l.Quantity.String()+" "+l.QuantityUnit)
	}
	if l.Rate != nil {
		parts = append(parts, "at "+l.Rate.String()+" "+l.RateUnit)
	}
	if !l.Amount.IsZero() {
		parts = append(parts, l.Amount.String())
	}
	if len(parts) == 0 {
		return "no figure"
	}
	return strings.Join(parts, " ")
}

func textOf(err error) string {
	if r := refusal.As(err); r != nil {
		return r.Error()
	}
	return err.Error()
}

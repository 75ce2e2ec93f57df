package station

import (
	"bytes"
	"context"
	"encoding/csv"
	"encoding/json"
	"errors"
	"fmt"
	"slices"
	"strconv"
	"strings"
	"time"

	"barward/internal/assay"
	"barward/internal/custody"
	"barward/internal/ledger/proof"
	"barward/internal/quantity"
	"barward/internal/refusal"
	"barward/internal/settlement"
	"barward/internal/weighing"
	pb "barward/proto/barward/v1"
)

// What the commercial office asks of the record. Every figure comes from the service or from a pure room; here they
// are put together.

// ExchangeOf says where the exchange of a lot stands on a day, under the terms of its agreement, with who is awaited
// and until when: the room's own reckoning, over the steps as the reader may see them. Refusals are those of
// assay.Progress.
func ExchangeOf(lot *pb.Lot, terms settlement.Terms, today time.Time) (assay.Exchange, error) {
	var each []assay.ExchangeTerms
	for _, m := range terms.Metals {
		each = append(each, m.Exchange)
	}
	steps := make([]assay.Step, len(lot.GetSteps()))
	for i, s := range lot.GetSteps() {
		at, err := time.Parse(time.RFC3339, s.GetOccurredAt())
		if err != nil {
			return assay.Exchange{}, refusal.Invalidf("TIME_MALFORMED", fmt.Sprintf("steps[%d]", i),
				"%s is no instant, so the days of the exchange cannot be counted.", refusal.Quote(s.GetOccurredAt()))
		}
		steps[i] = assay.Step{Kind: assay.StepKind(s.GetAction()), Side: assay.Side(s.GetSide()), Round: int(s.GetRound()),
			Laboratory: s.GetLaboratory(), Turn: int(s.GetTurn()), Ref: EntryRef(s.GetEntry()), At: at}
		copy(steps[i].Commitment[:], s.GetCommitment())
		copy(steps[i].Nonce[:], s.GetNonce())
		if len(s.GetResults()) > 0 {
			if steps[i].Results, err = PureResults(s.GetResults()); err != nil {
				return assay.Exchange{}, err
			}
		}
	}
	return assay.Progress(lot.GetName(), steps, each, today)
}

// EntryRef names an entry as statements do.
func EntryRef(entry uint64) string { return "entry " + strconv.FormatUint(entry, 10) }

// EntryOf reads such a name; false where it names a document that is not in the ledger.
func EntryOf(ref string) (uint64, bool) {
	number, ours := strings.CutPrefix(ref, "entry ")
	n, err := strconv.ParseUint(number, 10, 64)
	return n, ours && err == nil
}

// Task is something that a lot waits for.
type Task struct {
	What     string    // a word: melt, seal, open, umpire, umpire_report, state, agree, pay, return
	By       []string  // parties that must act; either of them where there are several and Either is set
	Either   bool      //
	Elements []string  // that it is about
	Due      time.Time // last UTC day; zero where the agreement sets none
	Silent   bool      // the day is past, so that the other side may declare it
	About    string    // statement, where it is about one
}

// Tasks lists what a lot waits for, in the order in which it is done. x is where its exchange stands, and statements
// are those of the lot that are known.
func Tasks(lot *pb.Lot, x assay.Exchange, statements []*pb.Statement) (tasks []Task) {
	party := func(who string) string {
		switch who {
		case string(assay.Seller):
			return lot.GetSeller()
		case string(assay.Refiner):
			return lot.GetParty()
		}
		return who
	}
	both := []string{lot.GetSeller(), lot.GetParty()}
	if lot.GetState() == pb.LotState_LOT_STATE_OPENED {
		return []Task{{What: "melt", By: []string{lot.GetParty()}}}
	}
	words := map[assay.State]string{assay.StateAwaitingCommitments: "seal", assay.StateAwaitingReveals: "open",
		assay.StateUmpireDue: "umpire", assay.StateUmpireAppointed: "umpire_report"}
	for _, e := range x.Elements {
		what, waits := words[e.State]
		if !waits {
			continue
		}
		task := Task{What: what, Due: e.Due, Elements: []string{string(e.Element)}, Silent: e.Overdue && (what == "seal" ||
			what == "open")}
		for _, who := range e.Awaited {
			task.By = append(task.By, party(who))
		}
		if what == "umpire" {
			task.By, task.Either = both, true
		}
		same := slices.IndexFunc(tasks, func(t Task) bool {
			return t.What == task.What && slices.Equal(t.By, task.By) && t.Due.Equal(task.Due)
		})
		if same >= 0 {
			tasks[same].Elements = append(tasks[same].Elements, string(e.Element))
		} else {
			tasks = append(tasks, task)
		}
	}
	stands := Standing(statements)
	switch {
	case lot.GetState() == pb.LotState_LOT_STATE_ASSAYS_SETTLED:
		tasks = append(tasks, Task{What: "state", By: both, Either: true})
	case stands != nil && len(stands.GetCountersignedBy()) == 0:
		other := slices.DeleteFunc(slices.Clone(both), func(p string) bool { return p == stands.GetIssuer() })
		tasks = append(tasks, Task{What: "agree", By: other, About: stands.GetName()})
	case stands != nil && lot.GetState() == pb.LotState_LOT_STATE_STATED:
		if len(lot.GetReturns()) == 0 {
			tasks = append(tasks, Task{What: "return", By: []string{lot.GetSeller()}})
		}
		tasks = append(tasks, Task{What: "pay", By: []string{Payer(lot, stands)}, About: stands.GetName()})
	}
	return tasks
}

// Standing is the statement that stands: the last that is not provisional and that no other corrects; nil if none does.
func Standing(statements []*pb.Statement) (stands *pb.Statement) {
	for _, s := range statements {
		if s.GetKind() != pb.StatementKind_STATEMENT_KIND_PROVISIONAL && s.GetCorrectedBy() == "" {
			stands = s
		}
	}
	return stands
}

// Payer is the party that pays a statement and records that it did: the refinery, or the seller where the net is
// below zero.
func Payer(lot *pb.Lot, s *pb.Statement) string {
	if strings.HasPrefix(s.GetNet(), "-") {
		return lot.GetSeller()
	}
	return lot.GetParty()
}

// PrecisionsFit reports whether two results, fineness in parts per thousand, agree with the standard deviations and
// biases stated of their laboratories: whether their difference, less that of the biases, lies within three standard
// deviations of it (common practice, no source). The square is compared, so that nothing is rounded.
func PrecisionsFit(seller, refiner, sellerSigma, sellerBias, refinerSigma, refinerBias string) (bool, error) {
	var x [6]quantity.Decimal
	for i, text := range []string{seller, refiner, sellerSigma, sellerBias, refinerSigma, refinerBias} {
		number, _, _ := strings.Cut(text, " ")
		var err error
		if x[i], err = quantity.ParseDecimal(number); err != nil {
			return false, err
		}
	}
	apart := x[0].Sub(x[3]).Sub(x[1].Sub(x[5]))
	variance := x[2].Mul(x[2]).Add(x[4].Mul(x[4]))
	return apart.Mul(apart).Cmp(quantity.NewDecimal(9).Mul(variance)) <= 0, nil
}

// DaysUntil counts the UTC days from an instant to a last day: 0 on that day itself, negative after it.
func DaysUntil(due, now time.Time) int {
	day := func(t time.Time) time.Time { return t.UTC().Truncate(24 * time.Hour) }
	return int(day(due).Sub(day(now)) / (24 * time.Hour))
}

// StatementOf returns the statement itself, which balances, or it would not be read, and has the digest and the net
// that the service says: what is issued or countersigned is this and nothing else. Reasons: STATEMENT_DIFFERS and
// those of settlement.ParseStatement.
func StatementOf(s *pb.Statement) (settlement.Statement, error) {
	document, err := settlement.ParseStatement([]byte(s.GetDocumentJson()))
	if err != nil {
		return document, err
	}
	if document.Digest() != s.GetDigest() || document.Net.String() != s.GetNet() {
		return document, refusal.New(refusal.DataLoss, "STATEMENT_DIFFERS", "",
			"The service shows other figures than the statement's own document holds. Sign nothing, keep what was shown, and ask its operator.")
	}
	return document, nil
}

// Issuing makes the event that issues a previewed statement. It names the checkpoint that this station verified last,
// on which the statement rests; where there is none it names none, which the record remarks on.
func (s *Station) Issuing(preview *pb.Statement, number, reason string) (*pb.StatementIssued, error) {
	if _, err := StatementOf(preview); err != nil {
		return nil, err
	}
	event := &pb.StatementIssued{StatementId: number, Lot: preview.GetLot(), Kind: preview.GetKind(),
		SettledOn: preview.GetSettledOn(), Digest: preview.GetDigest(), Reason: reason}
	if seen, ok := s.Seen(); ok {
		event.CheckpointSize, event.CheckpointRoot = seen.Size, seen.Root[:]
	}
	return event, nil
}

// ErrOtherTree says that the log never had the tree that somebody names: they were shown another log than we are.
var ErrOtherTree = errors.New("the log as this workstation knows it never had that checkpoint")

// HadTree demands the proof that the log, as it was seen last, once had a tree of a size with a root: nil if it had, an
// error that wraps ErrOtherTree if it had not.
func (s *Station) HadTree(ctx context.Context, size uint64, root []byte) error {
	named := proof.Checkpoint{Origin: s.origin(), Size: size}
	if len(root) != len(named.Root) || size == 0 {
		return fmt.Errorf("%w: %d entries, root of %d bytes", ErrOtherTree, size, len(root))
	}
	copy(named.Root[:], root)
	err := s.Continues(ctx, named)
	if refusal.Is(err, "CONSISTENCY_INVALID") {
		return fmt.Errorf("%w: %w", ErrOtherTree, err)
	}
	return err
}

// Holders says who held a bar from when to when, by the steps of its route: the custody room's reckoning. The pour
// makes the mine its first holder. What was wrong at a step the record says, not this.
func Holders(steps []*pb.RouteStep) []custody.Leg {
	kinds := map[string]custody.Kind{"poured": custody.Packed, "packed": custody.Packed, "released": custody.Released,
		"accepted": custody.Accepted, "seal_replaced": custody.SealReplaced, "received": custody.Received, "melted": custody.Melted}
	var list []custody.Step
	for _, s := range steps {
		kind, moves := kinds[s.GetAction()]
		at, err := time.Parse(time.RFC3339, s.GetOccurredAt())
		if !moves || err != nil {
			continue
		}
		step := custody.Step{Kind: kind, Party: s.GetParty(), Counterparty: s.GetCounterparty(), At: at,
			Ref: EntryRef(s.GetEntry()), Place: s.GetPlace()}
		if step.Check() == nil {
			list = append(list, step)
		}
	}
	return custody.Trace(list, time.Time{}).Legs
}

// ReadReturn reads a refinery's return before any of it is signed, and says by line and column what is wrong with it.
// Reasons: those of settlement.ParseReturn.
func ReadReturn(text string) (settlement.Return, error) {
	r, err := settlement.ParseReturn([]byte(text))
	if err == nil {
		return r, nil
	}
	refused := refusal.As(err)
	if refused == nil {
		return r, err
	}
	var syntax *json.SyntaxError
	var typed *json.UnmarshalTypeError
	offset := int64(-1)
	if errors.As(refused.Cause, &syntax) {
		offset = syntax.Offset
	} else if errors.As(refused.Cause, &typed) {
		offset = typed.Offset
	}
	if offset < 0 || offset > int64(len(text)) {
		return r, err
	}
	before := text[:offset]
	line := strings.Count(before, "\n") + 1
	column := len([]rune(before[strings.LastIndexByte(before, '\n')+1:]))
	return r, refusal.Invalidf(refused.Reason, fmt.Sprintf("line %d, column %d", line, max(column, 1)), "%s",
		refused.Text).Because(refused.Cause)
}

// ReturnTemplate is a return to be filled in, as CSV: the lines of a statement that ReadReturn would take, with their
// codes and units, and no figures.
func ReturnTemplate(s settlement.Statement) ([]byte, error) {
	var b bytes.Buffer
	w := csv.NewWriter(&b)
	w.UseCRLF = true
	rows := [][]string{{"code", "element", "name", "unit", "quantity", "quantity_unit", "rate", "rate_unit", "amount"}}
	for _, l := range s.Return().Lines {
		rows = append(rows, []string{string(l.Code), string(l.Element), l.Name, l.Unit, "", l.QuantityUnit, "", l.RateUnit, ""})
	}
	err := w.WriteAll(rows)
	return b.Bytes(), err
}

// ReconciliationOf returns the comparison itself, line by line. Its sums must be those that the service says beside it:
// RECONCILIATION_DIFFERS.
func ReconciliationOf(r *pb.Reconciliation) (settlement.Reconciliation, error) {
	var c settlement.Reconciliation
	err := json.Unmarshal([]byte(r.GetDocumentJson()), &c)
	if err == nil && c.Money.Ours.String()+" "+string(c.Money.Currency) == r.GetOurs() &&
		c.Money.Theirs.String()+" "+string(c.Money.Currency) == r.GetTheirs() {
		return c, nil
	}
	return c, refusal.New(refusal.DataLoss, "RECONCILIATION_DIFFERS", "",
		"The service shows other sums than the comparison's own document holds. Keep what was shown, and ask its operator.").Because(err)
}

// Weighing is a weighing of a bar with what it differs by from the one before it that stands.
type Weighing struct {
	Record     *pb.WeightRecord
	Difference string // second less first, with unit; empty for the first one
	Limit      string // by the agreement; empty where none is agreed
	Within     bool
}

// Weighings sets each weighing of a bar that stands beside the one before: the weighing room's comparison, with the
// limit that the agreement has for it. limits is nil where no agreement is known. What air buoyancy explains of a
// difference beyond its limit stands in the discrepancy that the record filed.
func Weighings(bar *pb.Bar, limits *settlement.WeightLimits) (list []Weighing) {
	var before *pb.WeightRecord
	for _, now := range bar.GetWeights() {
		w := Weighing{Record: now}
		if now.GetSupersededBy() == 0 {
			if before != nil {
				w.compare(before, limits)
			}
			before = now
		}
		list = append(list, w)
	}
	return list
}

func (w *Weighing) compare(before *pb.WeightRecord, limits *settlement.WeightLimits) {
	first, err := quantity.ParseMass(before.GetMass())
	if err != nil {
		return
	}
	second, err := quantity.ParseMass(w.Record.GetMass())
	if err != nil {
		return
	}
	if limits != nil {
		limit := limits.HandOffBar
		if w.Record.GetStage() == pb.WeighingStage_WEIGHING_STAGE_ARRIVAL {
			limit = limits.ArrivalBar
		}
		c, err := weighing.Compare(weighing.Station{Mass: first}, weighing.Station{Mass: second}, limit, quantity.Decimal{})
		if err == nil {
			w.Difference, w.Limit, w.Within = c.Difference.String()+" g", c.Limit.Trim().String()+" g", c.Within
			return
		}
	}
	w.Difference = second.Sub(first).String()
}

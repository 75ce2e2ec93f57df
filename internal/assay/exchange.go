package assay

import (
	"fmt"
	"slices"
	"strings"
	"time"

	"barward/internal/quantity"
	"barward/internal/refusal"
)

// StepKind is what happened in an exchange.
type StepKind string

const (
	// StepOpened opens the exchange of a lot: the sample packets are out and the days begin to run.
	StepOpened StepKind = "opened"
	// StepCommitted is a party's commitment to a result that nobody else has seen.
	StepCommitted StepKind = "committed"
	// StepRevealed is the result and the nonce behind a commitment; possible once both parties have committed.
	StepRevealed StepKind = "revealed"
	// StepNotReported declares that Side let its day pass; NoReportRule applies.
	StepNotReported StepKind = "not_reported"
	// StepUmpireAppointed names the umpire laboratory whose turn it is, for every element that is due.
	StepUmpireAppointed StepKind = "umpire_appointed"
	// StepUmpireReported is the umpire's result for one or more of the elements it was appointed for.
	StepUmpireReported StepKind = "umpire_reported"
)

// Step is one event of an exchange, as the ledger holds it.
type Step struct {
	Kind       StepKind  `json:"kind"`
	Side       Side      `json:"side,omitempty"`       // committed, revealed: who; not_reported: who did not
	Round      int       `json:"round,omitempty"`      // committed, revealed: from 1; a re-assay is round 2 and so on
	Results    []Result  `json:"results,omitempty"`    // revealed, umpire_reported
	Commitment Digest    `json:"commitment,omitzero"`  // committed
	Nonce      Digest    `json:"nonce,omitzero"`       // revealed
	Laboratory string    `json:"laboratory,omitempty"` // umpire_appointed, umpire_reported
	Turn       int       `json:"turn,omitempty"`       // umpire_appointed: umpires drawn under this agreement before, all lots
	Ref        string    `json:"ref,omitempty"`        // the ledger entry; carried into the outcome
	At         time.Time `json:"at"`
}

// State is where the exchange of one element stands.
type State string

const (
	// StateNotOpen waits for the exchange to be opened.
	StateNotOpen State = "not_open"
	// StateAwaitingCommitments waits for a commitment; from round 2 on it is a re-assay.
	StateAwaitingCommitments State = "awaiting_commitments"
	// StateAwaitingReveals waits for a committed result to be revealed.
	StateAwaitingReveals State = "awaiting_reveals"
	// StateUmpireDue waits for an umpire to be appointed.
	StateUmpireDue State = "umpire_due"
	// StateUmpireAppointed waits for the umpire's result.
	StateUmpireAppointed State = "umpire_appointed"
	// StateSettled has a settled fineness.
	StateSettled State = "settled"
)

// Basis says by what an element was settled.
type Basis string

const (
	BasisMean            Basis = "mean_within_limit"
	BasisUmpire          Basis = "umpire"
	BasisOtherConclusive Basis = "other_conclusive" // the other party did not report
	BasisUmpireConcludes Basis = "umpire_concludes" // a party did not report; the umpire's result alone
)

// ElementExchange is where one element stands.
type ElementExchange struct {
	Element    Element           `json:"element"`
	State      State             `json:"state"`
	Round      int               `json:"round"`                // the current or last one
	Splits     []Splitting       `json:"splits,omitempty"`     // one for each round that both revealed
	Settled    quantity.Fineness `json:"settled,omitzero"`     // only when State is settled
	Basis      Basis             `json:"basis,omitempty"`      // only when State is settled
	Decision   *Decision         `json:"decision,omitempty"`   // the umpire's, when there was one with two results before it
	Laboratory string            `json:"laboratory,omitempty"` // the umpire appointed
	Absent     Side              `json:"absent,omitempty"`     // the party that did not report
	// Cost shares of the umpire's fee for this element; both zero when no umpire decided. They add to exactly 1.
	SellerCost  quantity.Decimal `json:"seller_cost"`
	RefinerCost quantity.Decimal `json:"refiner_cost"`
	Due         time.Time        `json:"due,omitzero"`      // last UTC day for what is awaited
	Awaited     []string         `json:"awaited,omitempty"` // who must act: seller, refiner, the laboratory, or parties
	Overdue     bool             `json:"overdue,omitempty"` // today is after Due
	Refs        []string         `json:"refs,omitempty"`    // entries that this state rests on, in order
	Words       string           `json:"words"`

	since time.Time // when State began
}

// Exchange is where the exchange of one lot stands. Make one with Progress.
type Exchange struct {
	Lot      string            `json:"lot"`
	Base     Element           `json:"base,omitempty"` // largest component by the first complete round; chooses the limits
	Elements []ElementExchange `json:"elements"`       // in the order of the terms
	Settled  bool              `json:"settled"`        // every element is

	terms   []ExchangeTerms
	round   int              // the one that is open or was last; 0 before the opening
	reports map[Side]*report // of that round
}

// report is what one party has said in the current round.
type report struct {
	committed  bool
	commitment Digest
	revealed   bool
	results    []Result
}

// Element returns where one element stands.
func (x Exchange) Element(e Element) (ElementExchange, bool) {
	for _, element := range x.Elements {
		if element.Element == e {
			return element, true
		}
	}
	return ElementExchange{}, false
}

// Expected returns the elements that a report to the open round must hold, none when no report is awaited. Look here
// before committing: what was committed cannot be mended, and a reveal that leaves one out is refused.
func (x Exchange) Expected() (elements []Element) {
	for _, i := range x.in(StateAwaitingCommitments, StateAwaitingReveals) {
		elements = append(elements, x.Elements[i].Element)
	}
	return elements
}

// Round returns the round that is open or was last, 0 before the opening.
func (x Exchange) Round() int { return x.round }

// NextUmpire returns the laboratory of the panel whose turn it is when drawn were drawn before it under the agreement.
func NextUmpire(panel []string, drawn int) string {
	if len(panel) == 0 || drawn < 0 {
		return ""
	}
	return panel[drawn%len(panel)]
}

// Progress folds the steps of one lot, in ledger order, under the terms of its agreement (one for each element, in the
// order in which they are shown), and says where each element stands on today, of which only the UTC date matters; the
// zero time leaves Overdue false. It is a function of its arguments. It refuses terms that do not check and the first
// step that was not allowed, with its place in steps.
//
// Rounds run for all open elements together, while each element settles alone: gold may be settled while silver waits.
// Days are UTC days; what is done on the last day is in time. A late report counts as long as nobody has declared the
// party's silence with StepNotReported.
func Progress(lot string, steps []Step, terms []ExchangeTerms, today time.Time) (Exchange, error) {
	if err := name(lot, "lot"); err != nil {
		return Exchange{}, err
	}
	if err := CheckTerms(terms); err != nil {
		return Exchange{}, err
	}
	if len(steps) > maxSteps {
		return Exchange{}, refusal.New(refusal.Exhausted, "STEPS_TOO_MANY", "steps", "an exchange of %d steps is longer than the %d allowed", len(steps), maxSteps)
	}
	x := Exchange{Lot: lot, terms: terms, reports: map[Side]*report{}}
	for _, t := range terms {
		x.Elements = append(x.Elements, ElementExchange{Element: t.Element, State: StateNotOpen})
	}
	for i, step := range steps {
		if err := x.Allowed(step); err != nil {
			return Exchange{}, refusal.In(err, fmt.Sprintf("steps[%d]", i))
		}
		x.apply(step)
	}
	x.describe(today)
	return x, nil
}

// Allowed says whether step may be the next one: nil, or a refusal that says what is awaited instead. Reasons:
// EXCHANGE_NOT_OPEN, ALREADY_OPEN, EXCHANGE_CLOSED, ROUND_WRONG, ALREADY_COMMITTED, COMMITMENT_MISSING, NOT_COMMITTED,
// ALREADY_REVEALED, REVEAL_BEFORE_COMMITS, REVEAL_MISMATCH, NONCE_MISSING, RESULT_MISSING, HAS_REPORTED, ALREADY_DECLARED,
// OTHER_NOT_REPORTED, DAY_NOT_PAST, UMPIRE_NOT_DUE, UMPIRE_OUT_OF_TURN, UMPIRE_NOT_APPOINTED, STEP_UNKNOWN,
// TIME_MISSING, and those of CheckResults.
func (x Exchange) Allowed(step Step) error {
	if step.At.IsZero() {
		return refusal.Invalidf("TIME_MISSING", "at", "the step has no time; say when it happened")
	}
	if step.Kind == StepOpened {
		if x.round > 0 {
			return x.no("ALREADY_OPEN", "the exchange of lot %s is already open", x.Lot)
		}
		return nil
	}
	if !slices.Contains([]StepKind{StepCommitted, StepRevealed, StepNotReported, StepUmpireAppointed, StepUmpireReported}, step.Kind) {
		return refusal.Invalidf("STEP_UNKNOWN", "kind", "%q is not a step of an exchange", clip(string(step.Kind))).With("value", clip(string(step.Kind)))
	}
	if x.round == 0 {
		return x.no("EXCHANGE_NOT_OPEN", "the exchange of lot %s is not open; open it first", x.Lot)
	}
	switch step.Kind {
	case StepUmpireAppointed:
		return x.allowAppointment(step)
	case StepUmpireReported:
		return x.allowUmpire(step)
	}
	if err := step.Side.Check(); err != nil {
		return err
	}
	switch step.Kind {
	case StepCommitted:
		return x.allowCommitment(step)
	case StepRevealed:
		return x.allowReveal(step)
	}
	_, err := x.silent(step)
	return err
}

// no is a refusal because of the state that the exchange is in.
func (x Exchange) no(reason, format string, args ...any) error {
	return refusal.New(refusal.Precondition, reason, "", format, args...).About(x.Lot)
}

// in returns the places of the elements that are in one of the states.
func (x Exchange) in(states ...State) (at []int) {
	for i := range x.Elements {
		if slices.Contains(states, x.Elements[i].State) {
			at = append(at, i)
		}
	}
	return at
}

// report returns what a side has said in the current round, never nil.
func (x Exchange) report(side Side) *report {
	if r := x.reports[side]; r != nil {
		return r
	}
	return &report{}
}

// allowRound refuses a report when no round is open, or for another round than the open one.
func (x Exchange) allowRound(step Step) error {
	if len(x.in(StateAwaitingCommitments, StateAwaitingReveals)) == 0 {
		return x.no("EXCHANGE_CLOSED", "no result of lot %s is awaited from the parties; every element is settled or with the umpire", x.Lot)
	}
	if step.Round != x.round {
		return x.no("ROUND_WRONG", "round %d of lot %s is not the open one; report for round %d", step.Round, x.Lot, x.round)
	}
	return nil
}

func (x Exchange) allowCommitment(step Step) error {
	if err := x.allowRound(step); err != nil {
		return err
	}
	if x.report(step.Side).committed {
		return x.no("ALREADY_COMMITTED", "the %s has already committed in round %d of lot %s; a commitment cannot be changed", step.Side, x.round, x.Lot)
	}
	if len(x.in(StateAwaitingCommitments)) == 0 {
		return x.no("EXCHANGE_CLOSED", "no commitment of the %s is awaited for lot %s; its day was declared past", step.Side, x.Lot)
	}
	if step.Commitment.IsZero() {
		return refusal.Invalidf("COMMITMENT_MISSING", "commitment", "the commitment is missing; send the SHA-256 over the results and a random nonce")
	}
	return nil
}

func (x Exchange) allowReveal(step Step) error {
	if err := x.allowRound(step); err != nil {
		return err
	}
	own := x.report(step.Side)
	switch {
	case !own.committed:
		return x.no("NOT_COMMITTED", "the %s has not committed in round %d of lot %s; commit first", step.Side, x.round, x.Lot)
	case own.revealed:
		return x.no("ALREADY_REVEALED", "the %s has already revealed its results in round %d of lot %s", step.Side, x.round, x.Lot)
	case len(x.in(StateAwaitingCommitments)) > 0:
		return x.no("REVEAL_BEFORE_COMMITS", "the %s has not committed in round %d of lot %s; results stay sealed until both have", step.Side.Other(), x.round, x.Lot)
	}
	if err := CheckResults(step.Results); err != nil {
		return err
	}
	for _, i := range x.in(StateAwaitingReveals) {
		e := x.Elements[i]
		if _, found := Find(step.Results, e.Element); !found && e.Absent != step.Side {
			return refusal.Invalidf("RESULT_MISSING", "results", "the results leave out %s, which is exchanged in round %d of lot %s; report it too", e.Element, x.round, x.Lot).With("element", string(e.Element))
		}
	}
	return VerifyReveal(own.commitment, x.Lot, step.Side, step.Round, step.Results, step.Nonce)
}

// silent returns the places of the elements for which step.Side may be declared silent on the day of step, or why none.
func (x Exchange) silent(step Step) ([]int, error) {
	if len(x.in(StateAwaitingCommitments, StateAwaitingReveals)) == 0 {
		return nil, x.no("EXCHANGE_CLOSED", "no result of lot %s is awaited from the parties; every element is settled or with the umpire", x.Lot)
	}
	own, other := x.report(step.Side), x.report(step.Side.Other())
	if absent := x.absent(); absent != "" {
		return nil, x.no("ALREADY_DECLARED", "the silence of the %s was declared for lot %s before; the %s has only to open its own result", absent, x.Lot, absent.Other())
	}
	waiting := x.in(StateAwaitingCommitments)
	toCommit := len(waiting) > 0
	if !toCommit {
		waiting = x.in(StateAwaitingReveals)
	}
	if own.revealed || toCommit && own.committed {
		return nil, x.no("HAS_REPORTED", "the %s has reported in round %d of lot %s and is not late", step.Side, x.round, x.Lot)
	}
	if toCommit && !other.committed || !toCommit && !other.revealed {
		return nil, x.no("OTHER_NOT_REPORTED", "the %s has not reported in round %d of lot %s either, so there is no result that could stand; it must report first", step.Side.Other(), x.round, x.Lot)
	}
	var late []int
	var due time.Time
	for _, i := range waiting {
		if x.Elements[i].Absent != "" {
			continue // declared before; the other party has only to open its own result
		}
		if due = x.due(i); day(step.At).After(due) {
			late = append(late, i)
		}
	}
	if len(late) == 0 {
		return nil, x.no("DAY_NOT_PAST", "the %s may still report for lot %s until the end of %s (UTC)", step.Side, x.Lot, due.Format(time.DateOnly))
	}
	return late, nil
}

// absent returns the party that was declared silent for all elements that are still open, empty when there is none.
func (x Exchange) absent() (side Side) {
	for _, i := range x.in(StateAwaitingCommitments, StateAwaitingReveals) {
		if side = x.Elements[i].Absent; side == "" {
			return ""
		}
	}
	return side
}

// appointable returns the places of the elements that wait for an umpire and may have this laboratory: it is its turn,
// or it holds the umpire packet of this lot already. waiting are all that wait for one, whoever it be.
func (x Exchange) appointable(step Step) (at, waiting []int) {
	for _, i := range x.in(StateUmpireDue, StateUmpireAppointed) {
		e := x.Elements[i]
		if e.State == StateUmpireAppointed && !day(step.At).After(x.due(i)) {
			continue // the one appointed still has time
		}
		waiting = append(waiting, i)
		panel := x.terms[i].Panel
		inTurn := NextUmpire(panel, step.Turn) == step.Laboratory
		if inTurn || x.holdsPacket(step.Laboratory) && slices.Contains(panel, step.Laboratory) && e.Laboratory != step.Laboratory {
			at = append(at, i)
		}
	}
	return at, waiting
}

// holdsPacket reports whether a laboratory is or was the umpire of another element of the lot.
func (x Exchange) holdsPacket(laboratory string) bool {
	return slices.ContainsFunc(x.Elements, func(e ElementExchange) bool { return e.Laboratory == laboratory })
}

func (x Exchange) allowAppointment(step Step) error {
	at, waiting := x.appointable(step)
	if len(waiting) == 0 {
		return x.no("UMPIRE_NOT_DUE", "no element of lot %s waits for an umpire", x.Lot)
	}
	if step.Turn < 0 {
		return refusal.Invalidf("TURN_OUT_OF_RANGE", "turn", "%d umpires cannot have been drawn before; count from 0", step.Turn)
	}
	if len(at) == 0 {
		next := NextUmpire(x.terms[waiting[0]].Panel, step.Turn)
		return x.no("UMPIRE_OUT_OF_TURN", "%q is not the umpire whose turn it is; appoint %s", clip(step.Laboratory), next)
	}
	return nil
}

func (x Exchange) allowUmpire(step Step) error {
	if err := CheckResults(step.Results); err != nil {
		return err
	}
	if len(x.in(StateUmpireDue, StateUmpireAppointed)) == 0 {
		return x.no("UMPIRE_NOT_DUE", "no element of lot %s waits for an umpire's result", x.Lot)
	}
	for _, i := range x.in(StateUmpireAppointed) {
		if _, found := Find(step.Results, x.Elements[i].Element); found && x.Elements[i].Laboratory == step.Laboratory {
			return nil
		}
	}
	return x.no("UMPIRE_NOT_APPOINTED", "%q is not appointed as umpire of lot %s for any element that it reports; appoint it first, in its turn", clip(step.Laboratory), x.Lot)
}

// apply carries out a step that is allowed.
func (x *Exchange) apply(step Step) {
	switch step.Kind {
	case StepOpened:
		x.round = 1
		for i := range x.Elements {
			x.Elements[i].Round = 1
			x.move(i, StateAwaitingCommitments, step)
		}
	case StepCommitted:
		x.commit(step)
	case StepRevealed:
		x.reveal(step)
	case StepNotReported:
		late, _ := x.silent(step)
		for _, i := range late {
			x.declareSilent(i, step)
		}
	case StepUmpireAppointed:
		at, _ := x.appointable(step)
		for _, i := range at {
			x.Elements[i].Laboratory = step.Laboratory
			x.move(i, StateUmpireAppointed, step)
		}
	case StepUmpireReported:
		for _, i := range x.in(StateUmpireAppointed) {
			if f, found := Find(step.Results, x.Elements[i].Element); found && x.Elements[i].Laboratory == step.Laboratory {
				x.decide(i, f, step)
			}
		}
	}
}

// move puts an element into a state from the time of step on.
func (x *Exchange) move(i int, to State, step Step) {
	x.Elements[i].State, x.Elements[i].since = to, step.At
	x.refer(i, step)
}

func (x *Exchange) refer(i int, step Step) {
	if step.Ref != "" && !slices.Contains(x.Elements[i].Refs, step.Ref) {
		x.Elements[i].Refs = append(x.Elements[i].Refs, step.Ref)
	}
}

func (x *Exchange) settle(i int, f quantity.Fineness, by Basis, step Step) {
	x.Elements[i].Settled, x.Elements[i].Basis = f, by
	x.move(i, StateSettled, step)
}

func (x *Exchange) commit(step Step) {
	x.reports[step.Side] = &report{committed: true, commitment: step.Commitment}
	for _, i := range x.in(StateAwaitingCommitments) {
		x.refer(i, step)
		if x.report(step.Side.Other()).committed {
			x.move(i, StateAwaitingReveals, step)
		}
	}
}

func (x *Exchange) reveal(step Step) {
	own, other := x.reports[step.Side], x.report(step.Side.Other())
	own.revealed, own.results = true, slices.Clone(step.Results)
	if other.revealed && x.Base == "" {
		x.Base = base(own.results, other.results)
	}
	again := false
	for _, i := range x.in(StateAwaitingReveals) {
		e, t := &x.Elements[i], x.terms[i]
		x.refer(i, step)
		switch {
		case e.Absent == step.Side.Other():
			f, _ := Find(own.results, e.Element)
			x.settle(i, rounded(f.PerMille(), t.SettledRounding), BasisOtherConclusive, step)
		case e.Absent == "" && other.revealed:
			again = x.compare(i, step) || again
		}
	}
	if again {
		x.round++
		x.reports = map[Side]*report{}
	}
}

// compare splits an element that both have revealed and reports whether it goes into another round.
func (x *Exchange) compare(i int, step Step) bool {
	e, t := &x.Elements[i], x.terms[i].ForBase(x.Base)
	seller, _ := Find(x.reports[Seller].results, e.Element)
	refiner, _ := Find(x.reports[Refiner].results, e.Element)
	split, err := Split(seller, refiner, t)
	if err != nil {
		panic("assay: checked results that cannot be compared: " + err.Error())
	}
	e.Splits = append(e.Splits, split)
	switch {
	case split.Within:
		x.settle(i, split.Mean, BasisMean, step)
	case e.Round < t.Rounds:
		e.Round++
		x.move(i, StateAwaitingCommitments, step)
		return true
	default:
		x.move(i, StateUmpireDue, step)
	}
	return false
}

// declareSilent applies the rule for a party that let its day pass.
func (x *Exchange) declareSilent(i int, step Step) {
	e, t := &x.Elements[i], x.terms[i]
	e.Absent = step.Side
	if t.NoReportRule == UmpireDecides {
		x.move(i, StateUmpireDue, step)
		return
	}
	other := x.report(step.Side.Other())
	if f, found := Find(other.results, e.Element); found && other.revealed {
		x.settle(i, rounded(f.PerMille(), t.SettledRounding), BasisOtherConclusive, step)
		return
	}
	x.move(i, StateAwaitingReveals, step) // committed and still sealed: now it may be opened
}

// decide settles an element by the umpire's result.
func (x *Exchange) decide(i int, umpire quantity.Fineness, step Step) {
	e, t := &x.Elements[i], x.terms[i].ForBase(x.Base)
	if e.Absent != "" {
		e.SellerCost, e.RefinerCost = one, quantity.Decimal{}
		if e.Absent == Refiner {
			e.SellerCost, e.RefinerCost = e.RefinerCost, e.SellerCost
		}
		x.settle(i, rounded(umpire.PerMille(), t.SettledRounding), BasisUmpireConcludes, step)
		return
	}
	last := e.Splits[len(e.Splits)-1]
	d, err := Umpire(last.Seller, last.Refiner, umpire, t)
	if err != nil {
		panic("assay: an umpire that was due cannot decide: " + err.Error())
	}
	e.Decision, e.SellerCost, e.RefinerCost = &d, d.SellerCost, d.RefinerCost
	x.settle(i, d.Settled, BasisUmpire, step)
}

// base returns the element with the largest sum over both reports, the first by symbol when two are equal.
func base(seller, refiner []Result) (largest Element) {
	var most quantity.Decimal
	for _, r := range seller {
		sum := r.Fineness.PerMille()
		if f, found := Find(refiner, r.Element); found {
			sum = sum.Add(f.PerMille())
		} else {
			sum = sum.Mul(two) // only one of them looked for it
		}
		if c := sum.Cmp(most); largest == "" || c > 0 || c == 0 && r.Element < largest {
			largest, most = r.Element, sum
		}
	}
	for _, r := range refiner {
		if _, found := Find(seller, r.Element); found {
			continue
		}
		if sum := r.Fineness.PerMille().Mul(two); sum.Cmp(most) > 0 || sum.Equal(most) && r.Element < largest {
			largest, most = r.Element, sum
		}
	}
	return largest
}

// day returns the UTC date of t.
func day(t time.Time) time.Time {
	y, m, d := t.UTC().Date()
	return time.Date(y, m, d, 0, 0, 0, 0, time.UTC)
}

// due returns the last UTC day for what element i waits for; the zero time when it waits for nobody in particular.
func (x Exchange) due(i int) time.Time {
	days := 0
	switch t := x.terms[i]; x.Elements[i].State {
	case StateAwaitingCommitments:
		days = t.ReportDays
	case StateAwaitingReveals:
		days = t.RevealDays
	case StateUmpireAppointed:
		days = t.UmpireDays
	default:
		return time.Time{}
	}
	return day(x.Elements[i].since).AddDate(0, 0, days)
}

// describe fills in what a reader wants to know beside the state.
func (x *Exchange) describe(today time.Time) {
	x.Settled = true
	for i := range x.Elements {
		e := &x.Elements[i]
		e.Due = x.due(i)
		e.Overdue = !e.Due.IsZero() && !today.IsZero() && day(today).After(e.Due)
		x.Settled = x.Settled && e.State == StateSettled
		for _, side := range []Side{Seller, Refiner} {
			r := x.report(side)
			if e.Absent != side && (e.State == StateAwaitingCommitments && !r.committed || e.State == StateAwaitingReveals && !r.revealed) {
				e.Awaited = append(e.Awaited, string(side))
			}
		}
		if e.State == StateUmpireAppointed {
			e.Awaited = []string{e.Laboratory}
		}
		e.Words = e.words()
	}
}

func (e ElementExchange) words() string {
	awaited := strings.Join(e.Awaited, " and ")
	by := fmt.Sprintf("by the end of %s (UTC)", e.Due.Format(time.DateOnly))
	if e.Overdue {
		by = fmt.Sprintf("was due by the end of %s (UTC)", e.Due.Format(time.DateOnly))
	}
	switch e.State {
	case StateAwaitingCommitments:
		round := "the sealed result"
		if e.Round > 1 {
			round = fmt.Sprintf("re-assay %d: the sealed result", e.Round-1)
		}
		return fmt.Sprintf("%s: %s of the %s, %s", e.Element, round, awaited, by)
	case StateAwaitingReveals:
		return fmt.Sprintf("%s: the opening of the sealed result of the %s, %s", e.Element, awaited, by)
	case StateUmpireDue:
		return fmt.Sprintf("%s: an umpire is to be appointed", e.Element)
	case StateUmpireAppointed:
		return fmt.Sprintf("%s: the umpire's result of %s, %s", e.Element, e.Laboratory, by)
	case StateSettled:
		switch {
		case e.Decision != nil:
			return e.Decision.Words
		case e.Basis == BasisMean:
			return e.Splits[len(e.Splits)-1].Words
		case e.Basis == BasisUmpireConcludes:
			return fmt.Sprintf("%s: the %s did not report; the umpire's result of %s is settled at the cost of the %s", e.Element, e.Absent, e.Settled, e.Absent)
		}
		return fmt.Sprintf("%s: the %s did not report; the %s's result of %s is settled", e.Element, e.Absent, e.Absent.Other(), e.Settled)
	}
	return fmt.Sprintf("%s: the exchange is not open", e.Element)
}

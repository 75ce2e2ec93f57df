package assay_test

import (
	"bytes"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"fmt"
	"strings"
	"testing"
	"time"

	"pgregory.net/rapid"

	"barward/internal/assay"
	"barward/internal/quantity"
	"barward/internal/refusal"
)

const lot = "LOT-7"

var opened = time.Date(2026, 2, 20, 9, 0, 0, 0, time.UTC)

func on(day int) time.Time { return opened.AddDate(0, 0, day) }

// report writes results as "Au 812.30, Ag 147.60", in parts per thousand.
func report(t testing.TB, s string) (results []assay.Result) {
	t.Helper()
	for _, part := range strings.Split(s, ", ") {
		symbol, number, _ := strings.Cut(part, " ")
		results = append(results, assay.Result{Element: assay.Element(symbol), Fineness: ppt(number)})
	}
	return results
}

// script makes steps of an exchange as a reader would tell them; entries are numbered e0, e1, …
type script struct {
	t     testing.TB
	steps []assay.Step
}

func begin(t testing.TB) *script {
	s := &script{t: t}
	return s.add(assay.Step{Kind: assay.StepOpened, At: opened})
}

func (s *script) add(step assay.Step) *script {
	step.Ref = fmt.Sprintf("e%d", len(s.steps))
	s.steps = append(s.steps, step)
	return s
}

func nonceOf(side assay.Side, round int) assay.Digest {
	return assay.Digest(sha256.Sum256([]byte(fmt.Sprint(side, round))))
}

func (s *script) commit(day int, side assay.Side, round int, results string) *script {
	c := assay.Commit(lot, side, round, report(s.t, results), nonceOf(side, round))
	return s.add(assay.Step{Kind: assay.StepCommitted, Side: side, Round: round, Commitment: c, At: on(day)})
}

func (s *script) reveal(day int, side assay.Side, round int, results string) *script {
	return s.add(assay.Step{Kind: assay.StepRevealed, Side: side, Round: round, Results: report(s.t, results), Nonce: nonceOf(side, round), At: on(day)})
}

// round is both commitments and both reveals on one day.
func (s *script) round(day, round int, seller, refiner string) *script {
	return s.commit(day, assay.Seller, round, seller).commit(day, assay.Refiner, round, refiner).
		reveal(day, assay.Seller, round, seller).reveal(day, assay.Refiner, round, refiner)
}

func (s *script) silent(day int, side assay.Side) *script {
	return s.add(assay.Step{Kind: assay.StepNotReported, Side: side, At: on(day)})
}

func (s *script) appoint(day int, laboratory string, turn int) *script {
	return s.add(assay.Step{Kind: assay.StepUmpireAppointed, Laboratory: laboratory, Turn: turn, At: on(day)})
}

func (s *script) umpire(day int, laboratory, results string) *script {
	return s.add(assay.Step{Kind: assay.StepUmpireReported, Laboratory: laboratory, Results: report(s.t, results), At: on(day)})
}

func (s *script) progress(terms ...assay.ExchangeTerms) assay.Exchange {
	s.t.Helper()
	x, err := assay.Progress(lot, s.steps, terms, on(0))
	if err != nil {
		s.t.Fatal(err)
	}
	return x
}

func wantState(t *testing.T, x assay.Exchange, e assay.Element, state assay.State, settled string) assay.ElementExchange {
	t.Helper()
	got, found := x.Element(e)
	if !found || got.State != state {
		t.Errorf("%s is %q, want %q", e, got.State, state)
	}
	if settled != "" {
		wantFineness(t, string(e)+" settled", got.Settled, settled)
	} else if !got.Settled.IsZero() {
		t.Errorf("%s is settled at %s in state %s", e, got.Settled, got.State)
	}
	if got.Words == "" {
		t.Errorf("%s has no words", e)
	}
	return got
}

// The lot of shared reference 04, section 5: both elements within their limits, settled on the mean.
func TestExchangeWithinTheLimits(t *testing.T) {
	x := begin(t).round(3, 1, "Au 812.30, Ag 147.60", "Au 812.58, Ag 148.90").progress(goldTerms(), silverTerms())
	gold := wantState(t, x, assay.Gold, assay.StateSettled, "812.44")
	wantState(t, x, assay.Silver, assay.StateSettled, "148.25")
	if !x.Settled || x.Base != assay.Gold || gold.Basis != assay.BasisMean {
		t.Errorf("settled %v, base %q, basis %q", x.Settled, x.Base, gold.Basis)
	}
	if got := strings.Join(gold.Refs, " "); got != "e0 e1 e2 e3 e4" {
		t.Errorf("gold rests on %q", got)
	}
	if !gold.SellerCost.IsZero() || !gold.RefinerCost.IsZero() {
		t.Errorf("an umpire's cost without an umpire: %s, %s", gold.SellerCost, gold.RefinerCost)
	}
}

// Gold exactly on its limit settles while silver waits, is assayed again, and goes to the umpire. Umpire figures by the
// middle of three: shared reference 04, section 2, with the figures of its gold table used for silver.
func TestGoldSettlesWhileSilverWaits(t *testing.T) {
	silver := silverTerms()
	silver.Rounds = 2
	silver.SplittingLimits[0].Limit = dec("0.50")
	terms := []assay.ExchangeTerms{goldTerms(), silver}
	s := begin(t)
	x := s.progress(terms...)
	e := wantState(t, x, assay.Gold, assay.StateAwaitingCommitments, "")
	if got := strings.Join(e.Awaited, " "); got != "seller refiner" || e.Due.Format(time.DateOnly) != "2026-03-02" {
		t.Errorf("awaited %q by %s", got, e.Due) // 20 February + 10 days: 2026 is no leap year
	}
	x = s.commit(1, assay.Seller, 1, "Au 100.50, Ag 813.40").progress(terms...)
	if e, _ = x.Element(assay.Gold); strings.Join(e.Awaited, " ") != "refiner" {
		t.Errorf("awaited %v after the seller committed", e.Awaited)
	}
	x = s.commit(2, assay.Refiner, 1, "Au 100.00, Ag 812.20").progress(terms...)
	wantState(t, x, assay.Gold, assay.StateAwaitingReveals, "")
	s.reveal(2, assay.Refiner, 1, "Au 100.00, Ag 812.20")
	x = s.reveal(3, assay.Seller, 1, "Au 100.50, Ag 813.40").progress(terms...)
	wantState(t, x, assay.Gold, assay.StateSettled, "100.25")
	e = wantState(t, x, assay.Silver, assay.StateAwaitingCommitments, "")
	if x.Settled || e.Round != 2 || x.Base != assay.Silver || !strings.Contains(e.Words, "re-assay 1") {
		t.Errorf("settled %v, round %d, base %s, words %q", x.Settled, e.Round, x.Base, e.Words)
	}
	if got := x.Expected(); len(got) != 1 || got[0] != assay.Silver {
		t.Errorf("expected in round 2: %v", got)
	}
	x = s.round(9, 2, "Ag 812.90", "Ag 812.20").progress(terms...)
	wantState(t, x, assay.Silver, assay.StateUmpireDue, "")
	x = s.appoint(10, "Ostermund Laboratory", 4).progress(terms...)
	e = wantState(t, x, assay.Silver, assay.StateUmpireAppointed, "")
	if strings.Join(e.Awaited, "") != "Ostermund Laboratory" {
		t.Errorf("awaited %v", e.Awaited)
	}
	x = s.umpire(20, "Ostermund Laboratory", "Ag 813.10").progress(terms...)
	e = wantState(t, x, assay.Silver, assay.StateSettled, "812.90")
	wantDecimal(t, "the refiner is farther and pays", e.RefinerCost, "1")
	if !x.Settled || e.Basis != assay.BasisUmpire || e.Decision == nil || len(e.Splits) != 2 {
		t.Errorf("settled %v, basis %q, decision %v, %d splits", x.Settled, e.Basis, e.Decision, len(e.Splits))
	}
	if got, _ := x.Element(assay.Gold); got.Settled.Cmp(ppt("100.25")) != 0 {
		t.Errorf("gold moved to %s", got.Settled)
	}
}

// A party that does not report by its day loses by the rule; the day itself is in time.
func TestSilence(t *testing.T) {
	terms := goldTerms() // 10 days to report, 2 to reveal
	committed := func() *script { return begin(t).commit(1, assay.Seller, 1, "Au 812.9004") }

	_, err := assay.Progress(lot, committed().silent(10, assay.Refiner).steps, []assay.ExchangeTerms{terms}, on(0))
	wantReason(t, "on the last day", err, "DAY_NOT_PAST")
	x := committed().silent(11, assay.Refiner).progress(terms)
	e := wantState(t, x, assay.Gold, assay.StateAwaitingReveals, "")
	if strings.Join(e.Awaited, " ") != "seller" {
		t.Errorf("awaited %v", e.Awaited)
	}
	x = committed().silent(11, assay.Refiner).reveal(11, assay.Seller, 1, "Au 812.9004").progress(terms)
	e = wantState(t, x, assay.Gold, assay.StateSettled, "812.900")
	if e.Basis != assay.BasisOtherConclusive || e.Absent != assay.Refiner {
		t.Errorf("basis %q, absent %q", e.Basis, e.Absent)
	}

	// Committed but never opened: two days after the second commitment.
	sealed := func() *script {
		return committed().commit(4, assay.Refiner, 1, "Au 812.20").reveal(4, assay.Refiner, 1, "Au 812.20")
	}
	_, err = assay.Progress(lot, sealed().silent(6, assay.Seller).steps, []assay.ExchangeTerms{terms}, on(0))
	wantReason(t, "on the last day to reveal", err, "DAY_NOT_PAST")
	x = sealed().silent(7, assay.Seller).progress(terms)
	wantState(t, x, assay.Gold, assay.StateSettled, "812.20")

	// By the other rule an umpire decides alone, at the cost of the silent party.
	terms.NoReportRule = assay.UmpireDecides
	x = committed().silent(11, assay.Refiner).appoint(12, "Quillow Assay", 0).umpire(20, "Quillow Assay", "Au 811.7777").progress(terms)
	e = wantState(t, x, assay.Gold, assay.StateSettled, "811.778")
	wantDecimal(t, "the silent refiner pays", e.RefinerCost, "1")
	wantDecimal(t, "the seller does not", e.SellerCost, "0")
	x = sealed().silent(7, assay.Seller).appoint(12, "Quillow Assay", 0).umpire(20, "Quillow Assay", "Au 811").progress(terms)
	e = wantState(t, x, assay.Gold, assay.StateSettled, "811")
	wantDecimal(t, "the silent seller pays", e.SellerCost, "1")

	// A late report counts as long as nobody declared the silence.
	x = committed().commit(30, assay.Refiner, 1, "Au 812.60").reveal(30, assay.Seller, 1, "Au 812.9004").reveal(30, assay.Refiner, 1, "Au 812.60").progress(terms)
	wantState(t, x, assay.Gold, assay.StateSettled, "812.750")

	for today, overdue := range map[int]bool{0: false, 10: false, 11: true} {
		x, err := assay.Progress(lot, committed().steps, []assay.ExchangeTerms{terms}, on(today))
		if err != nil {
			t.Fatal(err)
		}
		if e, _ := x.Element(assay.Gold); e.Overdue != overdue {
			t.Errorf("day %d: overdue is %v", today, e.Overdue)
		}
	}
}

// Gold has fewer days than silver: its silence can be declared first, and what the seller committed stays sealed until
// silver no longer waits for the refiner.
func TestSilenceOnOneElementKeepsTheOtherSealed(t *testing.T) {
	silver := silverTerms()
	silver.ReportDays = 30
	both := "Au 812.30, Ag 147.60"
	s := begin(t).commit(1, assay.Seller, 1, both).silent(11, assay.Refiner)
	x := s.progress(goldTerms(), silver)
	wantState(t, x, assay.Gold, assay.StateAwaitingReveals, "")
	wantState(t, x, assay.Silver, assay.StateAwaitingCommitments, "")
	open := assay.Step{Kind: assay.StepRevealed, Side: assay.Seller, Round: 1, Results: report(t, both), Nonce: nonceOf(assay.Seller, 1), At: on(12)}
	wantReason(t, "the seller opens gold and silver together", x.Allowed(open), "REVEAL_BEFORE_COMMITS")
	x = s.commit(13, assay.Refiner, 1, "Ag 148.90").reveal(14, assay.Seller, 1, both).reveal(14, assay.Refiner, 1, "Ag 148.90").progress(goldTerms(), silver)
	e := wantState(t, x, assay.Gold, assay.StateSettled, "812.30")
	if e.Basis != assay.BasisOtherConclusive {
		t.Errorf("basis %q", e.Basis)
	}
	wantState(t, x, assay.Silver, assay.StateSettled, "148.25")
}

func TestUmpiresInTurn(t *testing.T) {
	silver := silverTerms()
	outside := func() *script { return begin(t).round(1, 1, "Au 812.90, Ag 150.00", "Au 812.20, Ag 147.00") }
	x := outside().progress(goldTerms(), silver)
	for turn, laboratory := range []string{"Quillow Assay", "Ostermund Laboratory", "Tarn & Vole", "Quillow Assay", "Ostermund Laboratory"} {
		step := assay.Step{Kind: assay.StepUmpireAppointed, Laboratory: laboratory, Turn: turn, At: on(2)}
		if err := x.Allowed(step); err != nil {
			t.Errorf("turn %d: %v", turn, err)
		}
		if assay.NextUmpire(silver.Panel, turn) != laboratory {
			t.Errorf("turn %d is %s's", turn, assay.NextUmpire(silver.Panel, turn))
		}
		step.Turn++
		wantReason(t, "out of turn", x.Allowed(step), "UMPIRE_OUT_OF_TURN")
	}
	// One laboratory for both; it reports gold first.
	s := outside().appoint(2, "Quillow Assay", 0).umpire(8, "Quillow Assay", "Au 812.40")
	x = s.progress(goldTerms(), silver)
	wantState(t, x, assay.Gold, assay.StateSettled, "812.40")
	wantState(t, x, assay.Silver, assay.StateUmpireAppointed, "")
	// The rest is late: after its 20 days the next laboratory may be appointed, and the first may no longer report.
	again := assay.Step{Kind: assay.StepUmpireAppointed, Laboratory: "Ostermund Laboratory", Turn: 1, At: on(22)}
	wantReason(t, "on the umpire's last day", x.Allowed(again), "UMPIRE_NOT_DUE")
	again.At = on(23)
	if err := x.Allowed(again); err != nil {
		t.Error(err)
	}
	again.Laboratory = "Quillow Assay"
	wantReason(t, "the late laboratory again, because it holds the packet", x.Allowed(again), "UMPIRE_OUT_OF_TURN")
	x = s.appoint(23, "Ostermund Laboratory", 1).progress(goldTerms(), silver)
	late := assay.Step{Kind: assay.StepUmpireReported, Laboratory: "Quillow Assay", Results: report(t, "Ag 148"), At: on(24)}
	wantReason(t, "the first laboratory reports after all", x.Allowed(late), "UMPIRE_NOT_APPOINTED")
	x = s.umpire(30, "Ostermund Laboratory", "Ag 148.00").progress(goldTerms(), silver)
	wantState(t, x, assay.Silver, assay.StateSettled, "148.00")

	// Silver follows gold to the umpire after a re-assay: the laboratory that holds the lot's umpire packet may have it.
	silver.Rounds = 2
	s = outside().appoint(2, "Tarn & Vole", 2).round(6, 2, "Ag 150.00", "Ag 147.00")
	x = s.progress(goldTerms(), silver)
	if err := x.Allowed(assay.Step{Kind: assay.StepUmpireAppointed, Laboratory: "Tarn & Vole", Turn: 3, At: on(7)}); err != nil {
		t.Error(err)
	}
	wantReason(t, "neither in turn nor with the packet", x.Allowed(assay.Step{Kind: assay.StepUmpireAppointed, Laboratory: "Ostermund Laboratory", Turn: 3, At: on(7)}), "UMPIRE_OUT_OF_TURN")
}

func TestRefusedSteps(t *testing.T) {
	gold := "Au 812.90"
	step := func(kind assay.StepKind, side assay.Side, round int) assay.Step {
		s := assay.Step{Kind: kind, Side: side, Round: round, Commitment: assay.Digest{9}, At: on(30)}
		if kind == assay.StepRevealed {
			s.Results, s.Nonce = report(t, gold), nonceOf(side, round)
		}
		return s
	}
	with := func(s assay.Step, change func(*assay.Step)) assay.Step { change(&s); return s }
	fresh := &script{t: t}
	one := begin(t).commit(1, assay.Seller, 1, gold)
	both := begin(t).commit(1, assay.Seller, 1, gold).commit(1, assay.Refiner, 1, "Au 812.20")
	half := begin(t).commit(1, assay.Seller, 1, gold).commit(1, assay.Refiner, 1, "Au 812.20").reveal(1, assay.Seller, 1, gold)
	due := begin(t).round(1, 1, gold, "Au 812.20")
	done := begin(t).round(1, 1, gold, "Au 812.60")
	declared := begin(t).commit(1, assay.Seller, 1, gold).silent(20, assay.Refiner)
	appointed := begin(t).round(1, 1, gold, "Au 812.20").appoint(2, "Quillow Assay", 0)
	for _, row := range []struct {
		reason string
		after  *script
		step   assay.Step
	}{
		{"EXCHANGE_NOT_OPEN", fresh, step(assay.StepCommitted, assay.Seller, 1)},
		{"EXCHANGE_NOT_OPEN", fresh, step(assay.StepUmpireReported, "", 0)},
		{"ALREADY_OPEN", one, step(assay.StepOpened, "", 0)},
		{"STEP_UNKNOWN", one, step("settled", assay.Seller, 1)},
		{"TIME_MISSING", one, with(step(assay.StepCommitted, assay.Refiner, 1), func(s *assay.Step) { s.At = time.Time{} })},
		{"SIDE_UNKNOWN", one, step(assay.StepCommitted, "umpire", 1)},
		{"ALREADY_COMMITTED", one, step(assay.StepCommitted, assay.Seller, 1)},
		{"ROUND_WRONG", one, step(assay.StepCommitted, assay.Refiner, 2)},
		{"ROUND_WRONG", one, step(assay.StepCommitted, assay.Refiner, 0)},
		{"COMMITMENT_MISSING", one, with(step(assay.StepCommitted, assay.Refiner, 1), func(s *assay.Step) { s.Commitment = assay.Digest{} })},
		{"REVEAL_BEFORE_COMMITS", one, step(assay.StepRevealed, assay.Seller, 1)},
		{"NOT_COMMITTED", one, step(assay.StepRevealed, assay.Refiner, 1)},
		{"REVEAL_MISMATCH", both, step(assay.StepRevealed, assay.Refiner, 1)},
		{"REVEAL_MISMATCH", both, with(step(assay.StepRevealed, assay.Seller, 1), func(s *assay.Step) { s.Results = report(t, "Au 812.900") })},
		{"REVEAL_MISMATCH", both, with(step(assay.StepRevealed, assay.Seller, 1), func(s *assay.Step) { s.Nonce[31] ^= 1 })},
		{"NONCE_MISSING", both, with(step(assay.StepRevealed, assay.Seller, 1), func(s *assay.Step) { s.Nonce = assay.Digest{} })},
		{"RESULT_MISSING", both, with(step(assay.StepRevealed, assay.Seller, 1), func(s *assay.Step) { s.Results = report(t, "Cu 40.00") })},
		{"RESULTS_MISSING", both, with(step(assay.StepRevealed, assay.Seller, 1), func(s *assay.Step) { s.Results = nil })},
		{"ALREADY_REVEALED", half, step(assay.StepRevealed, assay.Seller, 1)},
		{"HAS_REPORTED", half, step(assay.StepNotReported, assay.Seller, 0)},
		{"HAS_REPORTED", one, step(assay.StepNotReported, assay.Seller, 0)},
		{"OTHER_NOT_REPORTED", begin(t), step(assay.StepNotReported, assay.Seller, 0)},
		{"OTHER_NOT_REPORTED", both, step(assay.StepNotReported, assay.Seller, 0)},
		{"ALREADY_DECLARED", declared, step(assay.StepNotReported, assay.Refiner, 0)},
		{"ALREADY_DECLARED", declared, step(assay.StepNotReported, assay.Seller, 0)},
		{"EXCHANGE_CLOSED", declared, step(assay.StepCommitted, assay.Refiner, 1)},
		{"EXCHANGE_CLOSED", due, step(assay.StepCommitted, assay.Seller, 1)},
		{"EXCHANGE_CLOSED", due, step(assay.StepRevealed, assay.Seller, 1)},
		{"EXCHANGE_CLOSED", done, step(assay.StepNotReported, assay.Seller, 1)},
		{"UMPIRE_NOT_DUE", one, step(assay.StepUmpireAppointed, "", 0)},
		{"UMPIRE_NOT_DUE", done, with(step(assay.StepUmpireReported, "", 0), func(s *assay.Step) { s.Results = report(t, gold) })},
		{"UMPIRE_OUT_OF_TURN", due, with(step(assay.StepUmpireAppointed, "", 0), func(s *assay.Step) { s.Laboratory = "Tarn & Vole" })},
		{"TURN_OUT_OF_RANGE", due, with(step(assay.StepUmpireAppointed, "", 0), func(s *assay.Step) { s.Turn = -1 })},
		{"UMPIRE_NOT_APPOINTED", due, with(step(assay.StepUmpireReported, "", 0), func(s *assay.Step) { s.Results = report(t, gold) })},
		{"UMPIRE_NOT_APPOINTED", appointed, with(step(assay.StepUmpireReported, "", 0), func(s *assay.Step) { s.Laboratory, s.Results = "Tarn & Vole", report(t, gold) })},
		{"UMPIRE_NOT_APPOINTED", appointed, with(step(assay.StepUmpireReported, "", 0), func(s *assay.Step) { s.Laboratory, s.Results = "Quillow Assay", report(t, "Ag 3") })},
		{"ELEMENT_UNKNOWN", appointed, with(step(assay.StepUmpireReported, "", 0), func(s *assay.Step) { s.Results = []assay.Result{{Element: "Xx", Fineness: ppt("1")}} })},
	} {
		x, err := assay.Progress(lot, row.after.steps, []assay.ExchangeTerms{goldTerms()}, on(0))
		if err != nil {
			t.Fatalf("before %s: %v", row.reason, err)
		}
		what := fmt.Sprintf("%s after %d steps", row.step.Kind, len(row.after.steps))
		wantReason(t, what, x.Allowed(row.step), row.reason)
		_, err = assay.Progress(lot, append(row.after.steps[:len(row.after.steps):len(row.after.steps)], row.step), []assay.ExchangeTerms{goldTerms()}, on(0))
		wantReason(t, what+", folded", err, row.reason)
		if field := fmt.Sprintf("steps[%d]", len(row.after.steps)); !strings.HasPrefix(refusal.As(err).Field, field) {
			t.Errorf("%s: field %q does not name %s", what, refusal.As(err).Field, field)
		}
	}
	_, err := assay.Progress("", nil, []assay.ExchangeTerms{goldTerms()}, on(0))
	wantReason(t, "no lot", err, "NAME_MISSING")
	_, err = assay.Progress(lot, nil, nil, on(0))
	wantReason(t, "no terms", err, "TERM_MISSING")
	_, err = assay.Progress(lot, make([]assay.Step, 401), []assay.ExchangeTerms{goldTerms()}, on(0))
	wantReason(t, "too many steps", err, "STEPS_TOO_MANY")
}

// The largest component of both reports chooses the limits, whoever reported it. By hand: copper 600 is seen by one party
// only, gold 400 by both.
func TestBaseMetal(t *testing.T) {
	terms := goldTerms()
	terms.SplittingLimits = append(terms.SplittingLimits, assay.LimitBand{Base: "Cu", From: ppt("0"), Limit: dec("0.1"), Unit: assay.LimitAbsolute})
	for _, row := range []struct {
		seller, refiner string
		base            assay.Element
		state           assay.State
	}{
		{"Au 400.2, Cu 590", "Au 400", "Cu", assay.StateUmpireDue},
		{"Au 400.2", "Au 400, Cu 590", "Cu", assay.StateUmpireDue},
		{"Au 400.2, Cu 390", "Au 400, Cu 395", "Au", assay.StateSettled},
		{"Au 400, Cu 400", "Au 400, Cu 400", "Au", assay.StateSettled}, // equal: the first by symbol
		{"Cu 400, Au 400", "Cu 400, Au 400", "Au", assay.StateSettled},
	} {
		x := begin(t).round(1, 1, row.seller, row.refiner).progress(terms)
		if e, _ := x.Element(assay.Gold); x.Base != row.base || e.State != row.state {
			t.Errorf("%s and %s: base %s, state %s", row.seller, row.refiner, x.Base, e.State)
		}
	}
	if _, found := begin(t).progress(terms).Element("Pt"); found {
		t.Error("an element without terms is exchanged")
	}
	if assay.NextUmpire(nil, 0) != "" || assay.NextUmpire([]string{"a"}, -1) != "" {
		t.Error("a laboratory was drawn from nothing")
	}
}

// The preimage by hand: every part behind its length in four bytes, elements in the order of their symbols.
func TestCommitPreimage(t *testing.T) {
	var nonce [32]byte
	for i := range nonce {
		nonce[i] = byte(i)
	}
	by := func(parts ...string) (b []byte) {
		for _, p := range parts {
			b = append(append(b, 0, 0, 0, byte(len(p))), p...)
		}
		return b
	}
	preimage := by("barward exchange v1", "LOT-7", "seller")
	preimage = append(preimage, 0, 0, 0, 2, 0, 0, 0, 2)
	preimage = append(preimage, by("Ag", "147.60 ppt", "Au", "812.30 ppt", string(nonce[:]))...)
	want := sha256.Sum256(preimage)
	got := assay.Commit("LOT-7", assay.Seller, 2, report(t, "Au 812.30, Ag 147.60"), nonce)
	if got != want {
		t.Errorf("got %x, want %x", got, want)
	}
	if err := assay.VerifyReveal(got, "LOT-7", assay.Seller, 2, report(t, "Ag 147.60, Au 812.30"), nonce); err != nil {
		t.Error(err)
	}
	// A refiner who copies the seller's commitment cannot open it as its own.
	wantReason(t, "a copied commitment", assay.VerifyReveal(got, "LOT-7", assay.Refiner, 2, report(t, "Au 812.30, Ag 147.60"), nonce), "REVEAL_MISMATCH")
}

// No two different openings share a commitment: every input is drawn to be near another's.
func TestCommitmentsDiffer(t *testing.T) {
	type opening struct {
		lot     string
		side    assay.Side
		round   int
		results string
		nonce   byte
	}
	rapid.Check(t, func(r *rapid.T) {
		draw := func(label string) opening {
			return opening{
				rapid.SampledFrom([]string{"L", "Ls", "L1", "Lseller"}).Draw(r, label+" lot"),
				rapid.SampledFrom([]assay.Side{assay.Seller, assay.Refiner}).Draw(r, label+" side"),
				rapid.IntRange(1, 3).Draw(r, label+" round"),
				rapid.SampledFrom([]string{"Au 1", "Au 1.0", "Au 1, Ag 1", "Ag 1, Cu 1", "Ag 1"}).Draw(r, label+" results"),
				rapid.Byte().Draw(r, label+" nonce"),
			}
		}
		commit := func(o opening) [32]byte {
			return assay.Commit(o.lot, o.side, o.round, report(t, o.results), [32]byte{o.nonce})
		}
		a, b := draw("a"), draw("b")
		if (a == b) != (commit(a) == commit(b)) {
			r.Fatalf("%+v and %+v", a, b)
		}
	})
}

func TestDigestText(t *testing.T) {
	d := nonceOf(assay.Seller, 1)
	b, err := json.Marshal(d)
	if err != nil {
		t.Fatal(err)
	}
	var back assay.Digest
	if err := json.Unmarshal(b, &back); err != nil || back != d || string(b) != `"`+hex.EncodeToString(d[:])+`"` {
		t.Errorf("%s came back as %s: %v", b, back, err)
	}
	for _, bad := range []string{`"00"`, `"zz"`, `""`} {
		if json.Unmarshal([]byte(bad), &back) == nil {
			t.Errorf("%s was read", bad)
		}
	}
}

// Random steps, most of them out of place: whatever is allowed folds, the fold is the same again, a settled element never
// moves, nothing is settled before both have committed, and both parties swapped give the same exchange mirrored.
func TestRandomExchanges(t *testing.T) {
	finenesses := []string{"812.20", "812.45", "812.70", "812.90", "814.00"}
	rapid.Check(t, func(r *rapid.T) {
		terms := []assay.ExchangeTerms{anyTerms(r), silverTerms()}
		terms[1].Rounds, terms[1].NoReportRule, terms[1].ReportDays = rapid.IntRange(1, 2).Draw(r, "silver rounds"), terms[0].NoReportRule, 15
		terms[1].SplittingLimits[0].Limit = dec("0.3")
		opening := assay.Step{Kind: assay.StepOpened, At: opened}
		steps, mirrored := []assay.Step{opening}, []assay.Step{opening}
		at := 0
		kept := map[string]string{}
		var last assay.Exchange
		for range rapid.IntRange(1, 60).Draw(r, "steps") {
			x, err := assay.Progress(lot, steps, terms, on(at))
			if err != nil {
				r.Fatal(err)
			}
			for _, e := range last.Elements {
				if now, _ := x.Element(e.Element); e.State == assay.StateSettled && (now.State != e.State || now.Settled.Cmp(e.Settled) != 0) {
					r.Fatalf("%s moved from %s to %s %s", e.Element, e.Settled, now.State, now.Settled)
				}
			}
			last = x
			at += rapid.SampledFrom([]int{0, 0, 0, 0, 1, 12, 25}).Draw(r, "days")
			side := rapid.SampledFrom([]assay.Side{assay.Seller, assay.Refiner}).Draw(r, "side")
			step := assay.Step{
				Kind: rapid.SampledFrom([]assay.StepKind{assay.StepCommitted, assay.StepCommitted, assay.StepRevealed, assay.StepRevealed, assay.StepNotReported, assay.StepUmpireAppointed, assay.StepUmpireReported}).Draw(r, "kind"),
				Side: side, Round: x.Round(), At: on(at), Turn: rapid.IntRange(0, 2).Draw(r, "turn"),
				Laboratory: rapid.SampledFrom(terms[0].Panel).Draw(r, "laboratory"),
			}
			key := fmt.Sprint(side, step.Round)
			mirror := step
			mirror.Side = side.Other()
			text := "Au " + rapid.SampledFrom(finenesses).Draw(r, "gold") + ", Ag " + rapid.SampledFrom(finenesses).Draw(r, "silver")
			switch step.Kind {
			case assay.StepCommitted:
				step.Commitment = assay.Commit(lot, side, step.Round, report(t, text), nonceOf(side, 1))
				mirror.Commitment = assay.Commit(lot, side.Other(), step.Round, report(t, text), nonceOf(side, 1))
			case assay.StepRevealed:
				if kept[key] == "" {
					continue
				}
				step.Results, step.Nonce = report(t, kept[key]), nonceOf(side, 1)
				mirror.Results, mirror.Nonce = step.Results, step.Nonce
			case assay.StepUmpireReported:
				step.Results = report(t, text)
				mirror.Results = step.Results
			}
			if x.Allowed(step) != nil {
				continue
			}
			if step.Kind == assay.StepCommitted {
				kept[key] = text
			}
			steps, mirrored = append(steps, step), append(mirrored, mirror)
		}
		x, err := assay.Progress(lot, steps, terms, on(at))
		if err != nil {
			r.Fatal(err)
		}
		again, _ := assay.Progress(lot, steps, terms, on(at))
		one, _ := json.Marshal(x)
		two, _ := json.Marshal(again)
		if !bytes.Equal(one, two) {
			r.Fatalf("two folds differ:\n%s\n%s", one, two)
		}
		m, err := assay.Progress(lot, mirrored, terms, on(at))
		if err != nil {
			r.Fatalf("mirrored: %v", err)
		}
		for i, e := range x.Elements {
			o := m.Elements[i]
			if e.State != o.State || e.Settled.String() != o.Settled.String() || !e.SellerCost.Equal(o.RefinerCost) || !e.RefinerCost.Equal(o.SellerCost) {
				r.Fatalf("mirrored exchange differs:\n%+v\n%+v", e, o)
			}
			committed := map[assay.Side]bool{}
			silent := false
			for _, s := range steps {
				committed[s.Side] = committed[s.Side] || s.Kind == assay.StepCommitted
				silent = silent || s.Kind == assay.StepNotReported
			}
			if e.State == assay.StateSettled && !silent && !(committed[assay.Seller] && committed[assay.Refiner]) {
				r.Fatalf("%s is settled before both committed", e.Element)
			}
			if e.State == assay.StateSettled && (e.Settled.IsZero() || e.Basis == "") {
				r.Fatalf("%s is settled without a figure or basis", e.Element)
			}
			paid := e.SellerCost.Add(e.RefinerCost)
			if umpired := e.Basis == assay.BasisUmpire || e.Basis == assay.BasisUmpireConcludes; umpired != paid.Equal(quantity.NewDecimal(1)) {
				r.Fatalf("%s: basis %q with cost shares adding to %s", e.Element, e.Basis, paid)
			}
		}
	})
}

// Shared reference 04, section 2, third row, and section 5, through the preview that needs no ledger.
func TestExchangePreview(t *testing.T) {
	in := assay.PreviewInput{
		Lot: lot, Terms: []assay.ExchangeTerms{goldTerms(), silverTerms()},
		Rounds: []assay.PreviewRound{{Seller: report(t, "Au 812.90, Ag 147.60"), Refiner: report(t, "Au 812.20, Ag 148.90")}},
		Umpire: &assay.PreviewUmpire{Laboratory: "Ostermund Laboratory", Results: report(t, "Au 813.10")},
	}
	preview := func(in assay.PreviewInput) (assay.Exchange, error) {
		b, err := json.Marshal(in)
		if err != nil {
			t.Fatal(err)
		}
		return assay.ExchangePreview(b)
	}
	x, err := preview(in)
	if err != nil {
		t.Fatal(err)
	}
	e := wantState(t, x, assay.Gold, assay.StateSettled, "812.90")
	wantDecimal(t, "the refiner pays", e.RefinerCost, "1")
	wantState(t, x, assay.Silver, assay.StateSettled, "148.25")

	in.Umpire = nil
	if x, err = preview(in); err != nil {
		t.Fatal(err)
	}
	if e = wantState(t, x, assay.Gold, assay.StateUmpireDue, ""); !strings.Contains(e.Words, "the umpire is due") {
		t.Errorf("words %q", e.Words)
	}
	in.Terms[0].Rounds = 2
	if x, err = preview(in); err != nil {
		t.Fatal(err)
	}
	if e = wantState(t, x, assay.Gold, assay.StateAwaitingCommitments, ""); !strings.Contains(e.Words, "re-assay") || !e.Due.IsZero() {
		t.Errorf("words %q, due %s", e.Words, e.Due)
	}
	bad := func(reason, field string, change func(*assay.PreviewInput)) {
		t.Helper()
		wrong := in
		wrong.Rounds = append([]assay.PreviewRound{}, in.Rounds...)
		change(&wrong)
		_, err := preview(wrong)
		wantReason(t, reason, err, reason)
		if got := refusal.As(err); got != nil && got.Field != field {
			t.Errorf("%s: field %q, want %q", reason, got.Field, field)
		}
	}
	bad("RESULT_MISSING", "rounds[0].refiner", func(p *assay.PreviewInput) { p.Rounds[0].Refiner = report(t, "Ag 148.90") })
	bad("RESULTS_MISSING", "rounds[0].seller", func(p *assay.PreviewInput) { p.Rounds[0].Seller = nil })
	bad("ROUNDS_MISSING", "rounds", func(p *assay.PreviewInput) { p.Rounds = nil })
	bad("EXCHANGE_CLOSED", "rounds[2].seller", func(p *assay.PreviewInput) {
		p.Rounds = append(p.Rounds, p.Rounds[0], p.Rounds[0])
	})
	bad("UMPIRE_NOT_DUE", "umpire", func(p *assay.PreviewInput) { p.Umpire = &assay.PreviewUmpire{Laboratory: "Tarn & Vole"} })
	one := in.Terms[0]
	one.Rounds = 1
	in.Terms = []assay.ExchangeTerms{one, in.Terms[1]}
	bad("LABORATORY_UNKNOWN", "umpire.laboratory", func(p *assay.PreviewInput) { p.Umpire = &assay.PreviewUmpire{Laboratory: "Nobody"} })
	bad("RESULTS_MISSING", "umpire.results", func(p *assay.PreviewInput) { p.Umpire = &assay.PreviewUmpire{Laboratory: "Tarn & Vole"} })
	bad("NAME_MISSING", "lot", func(p *assay.PreviewInput) { p.Lot = " " })
	bad("TERM_MISSING", "exchange", func(p *assay.PreviewInput) { p.Terms = nil })
}

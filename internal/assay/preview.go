package assay

import (
	"fmt"
	"slices"
	"time"

	"barward/internal/refusal"
)

// PreviewInput is an exchange as figures alone, for a manager who wants to know what it would settle.
type PreviewInput struct {
	Lot    string          `json:"lot"`
	Terms  []ExchangeTerms `json:"terms"`
	Rounds []PreviewRound  `json:"rounds"` // the first exchange and any re-assays, in order
	Umpire *PreviewUmpire  `json:"umpire,omitempty"`
}

// PreviewRound is what both parties report in one round.
type PreviewRound struct {
	Seller  []Result `json:"seller"`
	Refiner []Result `json:"refiner"`
}

// PreviewUmpire is what an umpire reports.
type PreviewUmpire struct {
	Laboratory string   `json:"laboratory"` // one of the panel
	Results    []Result `json:"results"`
}

// ExchangePreview reads a PreviewInput in JSON and says where the exchange would stand, through the same steps and rules
// as Progress; nothing is late in it. Days and commitments, which figures do not have, are left out of the answer.
func ExchangePreview(b []byte) (Exchange, error) {
	var in PreviewInput
	if err := read(b, &in, "the exchange preview"); err != nil {
		return Exchange{}, err
	}
	return in.Exchange()
}

// Exchange says where the exchange of in would stand.
func (in PreviewInput) Exchange() (Exchange, error) {
	if err := CheckTerms(in.Terms); err != nil {
		return Exchange{}, err
	}
	if len(in.Rounds) == 0 || len(in.Rounds) > maxRounds {
		return Exchange{}, refusal.Invalidf("ROUNDS_MISSING", "rounds", "%d rounds of results were given; give 1 to %d, each with both parties' results", len(in.Rounds), maxRounds)
	}
	at := time.Date(2000, 1, 1, 0, 0, 0, 0, time.UTC) // any day will do: all steps share it and none is late
	steps := []Step{{Kind: StepOpened, At: at}}
	for i, round := range in.Rounds {
		for _, side := range []Side{Seller, Refiner} {
			results := round.of(side)
			if err := checkResults(results); err != nil {
				return Exchange{}, refusal.In(err, fmt.Sprintf("rounds[%d].%s", i, side))
			}
			steps = append(steps, Step{Kind: StepCommitted, Side: side, Round: i + 1, Commitment: Commit(in.Lot, side, i+1, results, openNonce), At: at})
		}
		for _, side := range []Side{Seller, Refiner} {
			steps = append(steps, Step{Kind: StepRevealed, Side: side, Round: i + 1, Results: round.of(side), Nonce: openNonce, At: at})
		}
	}
	x, err := Progress(in.Lot, steps, in.Terms, time.Time{})
	if err != nil {
		return Exchange{}, roundField(err, len(steps))
	}
	if in.Umpire != nil {
		if x, err = in.umpire(x, steps, at); err != nil {
			return Exchange{}, refusal.In(err, "umpire")
		}
	}
	for i := range x.Elements {
		e := &x.Elements[i]
		e.Due, e.Awaited = time.Time{}, nil
		if e.State == StateAwaitingCommitments {
			e.Words = fmt.Sprintf("%s; a re-assay is due before any umpire", e.Splits[len(e.Splits)-1].Words)
		}
		if e.State == StateUmpireDue {
			e.Words = fmt.Sprintf("%s; the umpire is due", e.Splits[len(e.Splits)-1].Words)
		}
	}
	return x, nil
}

// openNonce stands in for the random one: a preview has nothing to hide.
var openNonce = Digest{1}

func (r PreviewRound) of(side Side) []Result {
	if side == Seller {
		return r.Seller
	}
	return r.Refiner
}

// roundField names the round of the input where Progress named a step.
func roundField(err error, steps int) error {
	moved := *refusal.As(err)
	for i := range steps {
		step := fmt.Sprintf("steps[%d]", i)
		if i > 0 && len(moved.Field) >= len(step) && moved.Field[:len(step)] == step {
			side := Seller
			if i%2 == 0 {
				side = Refiner
			}
			moved.Field = fmt.Sprintf("rounds[%d].%s", (i-1)/4, side)
		}
	}
	return &moved
}

// umpire appoints the laboratory for what is due and applies its results.
func (in PreviewInput) umpire(x Exchange, steps []Step, at time.Time) (Exchange, error) {
	due := x.in(StateUmpireDue)
	if len(due) == 0 {
		return Exchange{}, x.no("UMPIRE_NOT_DUE", "no element waits for an umpire; leave the umpire out")
	}
	turn := slices.Index(in.Terms[due[0]].Panel, in.Umpire.Laboratory)
	if turn < 0 {
		return Exchange{}, refusal.Invalidf("LABORATORY_UNKNOWN", "laboratory", "%q is not on the panel; name one that is", clip(in.Umpire.Laboratory)).With("value", clip(in.Umpire.Laboratory))
	}
	steps = append(steps,
		Step{Kind: StepUmpireAppointed, Laboratory: in.Umpire.Laboratory, Turn: turn, At: at},
		Step{Kind: StepUmpireReported, Laboratory: in.Umpire.Laboratory, Results: in.Umpire.Results, At: at})
	settled, err := Progress(in.Lot, steps, in.Terms, time.Time{})
	if err != nil {
		moved := *refusal.As(err)
		moved.Field = "results"
		return Exchange{}, &moved
	}
	return settled, nil
}

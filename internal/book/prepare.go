package book

import (
	"crypto/sha256"
	"sync"
	"time"

	"barward/internal/ledger"
	"barward/internal/quantity"
	"barward/internal/weighing"
	pb "barward/proto/barward/v1"
)

// Prepared is an event with what can be worked out of it before it is its turn: by whoever submits it, or on all cores in
// a replay. It takes work from the one committer and decides nothing. It goes to the ledger as the submission's memo.
type Prepared struct {
	Event *pb.Event

	kind   string
	at     time.Time
	atErr  error
	digest [sha256.Size]byte
	loads  []reading
	quiet  bool
}

// reading is what the readings of one load say on a balance as it stood when it was weighed on last. It counts only if the
// balance is still the same when the event is judged.
type reading struct {
	readings []string
	on       *instrument
	weight   weighing.Weight
	parsed   []quantity.Mass
}

// Prepare decodes an event as Decode does, and works out what it can.
func Prepare(b []byte) (*Prepared, error) {
	event, err := Decode(b)
	if err != nil {
		return nil, err
	}
	p := prepared(event, b)
	p.weighAhead()
	return p, nil
}

func prepared(event *pb.Event, b []byte) *Prepared {
	p := &Prepared{Event: event, kind: kindOf(event), digest: sha256.Sum256(b)}
	p.at, p.atErr = instant("occurred_at", event.OccurredAt)
	return p
}

// Quiet reports that the event was folded, raised no discrepancy and left no remark. It holds once the event's receipt came.
func (p *Prepared) Quiet() bool { return p.quiet }

// Prepare implements ledger.Preparer. What cannot be read is left for Decide to refuse.
func (*Book) Prepare(e *ledger.Entry) {
	if p, err := Prepare(e.Event); err == nil {
		e.Memo = p
	}
}

// used leads from the name of a balance to the state in which it was weighed on last, by whatever book of this process.
// It is a guess: see reading.
var used sync.Map // string: *instrument

// weighAhead works out the weights of an event that weighs. What is refused is worked out again in its turn.
func (p *Prepared) weighAhead() {
	var balance string
	switch e := p.Event.Body.(type) {
	case *pb.Event_Weighed:
		balance = e.Weighed.GetBalance()
		p.loads = []reading{{readings: e.Weighed.GetReadings()}}
	case *pb.Event_BarReceived:
		balance = e.BarReceived.GetBalance()
		p.loads = []reading{{readings: e.BarReceived.GetReadings()}}
	case *pb.Event_PourRecorded:
		balance = e.PourRecorded.GetBalance()
		for _, bar := range e.PourRecorded.GetBars() {
			p.loads = append(p.loads, reading{readings: bar.GetReadings()})
		}
	}
	guess, ok := used.Load(balance)
	if !ok || len(p.loads) > maxPourBars {
		p.loads = nil
		return
	}
	done := p.loads[:0]
	for _, l := range p.loads {
		parsed, err := masses("", l.readings)
		if err != nil {
			continue
		}
		l.on, l.parsed = guess.(*instrument), parsed
		if l.weight, err = weighing.Read(l.on.Balance, parsed); err == nil {
			done = append(done, l)
		}
	}
	p.loads = done
}

// read turns readings on an instrument into a weight, or takes what was worked out ahead.
func (p *Prepared) read(i *instrument, readings []string) (weighing.Weight, int, error) {
	for n, l := range p.loads {
		if l.on == i && len(l.readings) == len(readings) && &l.readings[0] == &readings[0] {
			p.loads = p.loads[n+1:] // loads are asked for in their order
			return l.weight, len(l.parsed), nil
		}
	}
	parsed, err := masses("readings", readings)
	if err != nil {
		return weighing.Weight{}, 0, err
	}
	weight, err := weighing.Read(i.Balance, parsed)
	return weight, len(parsed), err
}

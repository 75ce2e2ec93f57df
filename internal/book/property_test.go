package book

import (
	"flag"
	"fmt"
	"slices"
	"testing"

	"google.golang.org/protobuf/proto"
	"pgregory.net/rapid"

	"barward/internal/identity"
	"barward/internal/ledger"
	"barward/internal/quantity"
	"barward/internal/refusal"
	pb "barward/proto/barward/v1"
)

// rapidly checks a property on some sequences. A flag given on the command line asks for more.
func rapidly(t *testing.T, runs string, property func(*rapid.T)) {
	t.Helper()
	f := flag.Lookup("rapid.checks")
	if f.Value.String() == f.DefValue {
		if err := f.Value.Set(runs); err != nil {
			t.Fatal(err)
		}
		defer func() { _ = f.Value.Set(f.DefValue) }()
	}
	rapid.Check(t, property)
}

// Whatever is recorded, in whatever order, by whomever: nothing breaks the fold, no two parties hold one box, a bar in a
// box is where the box is, the bars of a lot add up to what was received, and every discrepancy names evidence that
// exists. FuzzDecideApply looks for what chance alone does not find.
func TestAnyOrderOfEventsFolds(t *testing.T) {
	w := newWorld(t)
	rapidly(t, "60", func(rt *rapid.T) {
		d := draws(func(n int) int { return rapid.IntRange(0, n-1).Draw(rt, "choice") })
		steps := rapid.IntRange(10, 60).Draw(rt, "steps")
		err := w.live(func(l *life) error {
			for range steps {
				if err := l.step(d); err != nil {
					return err
				}
			}
			return nil
		}, soundBook)
		if err != nil {
			rt.Fatal(err)
		}
	})
}

// soundBook says which of the invariants that hold of any book does not hold of this one of so many entries.
func soundBook(b *ledger.Book, size uint64) (found error) {
	s := &store{pages: b}
	boxed := map[string]string{}
	fail := func(err error) {
		if err != nil && found == nil {
			found = err
		}
	}
	fail(boxes.each(b, func(box *pb.Box) error {
		if box.Holder == "" || box.ReleasedTo == box.Holder {
			return fmt.Errorf("box %s is held by %q and released to %q", box.Name, box.Holder, box.ReleasedTo)
		}
		boxed[box.Name] = box.Holder
		return nil
	}))
	fail(bars.each(b, func(bar *pb.Bar) error {
		switch {
		case bar.State == pb.BarState_BAR_STATE_PACKED && bar.Holder != boxed[bar.Box]:
			return fmt.Errorf("bar %s is held by %s and its box by %s", bar.Name, bar.Holder, boxed[bar.Box])
		case bar.State == pb.BarState_BAR_STATE_POURED && bar.Holder != bar.Party:
			return fmt.Errorf("bar %s has not left and is held by %s", bar.Name, bar.Holder)
		case (bar.Lot != "") != (bar.State >= pb.BarState_BAR_STATE_IN_LOT):
			return fmt.Errorf("bar %s is %v in lot %q", bar.Name, bar.State, bar.Lot)
		}
		return nil
	}))
	inLot := map[string]string{}
	fail(lots.each(b, func(lot *pb.Lot) error {
		var sum quantity.Mass
		for _, name := range lot.Bars {
			if other := inLot[name]; other != "" {
				return fmt.Errorf("bar %s is in the lots %s and %s", name, other, lot.Name)
			}
			inLot[name] = lot.Name
			bar, _ := bars.load(s, name)
			_, arrival := aroundArrival(bar)
			if arrival == nil {
				return fmt.Errorf("bar %s of lot %s has no weight on arrival", name, lot.Name)
			}
			sum = sum.Add(quantity.MustMass(arrival.Mass))
		}
		if sum.Cmp(quantity.MustMass(lot.Received)) != 0 {
			return fmt.Errorf("the bars of lot %s add up to %s, and %s were received", lot.Name, sum, lot.Received)
		}
		return nil
	}))
	fail(consignments.each(b, func(c *pb.Consignment) error {
		var sum quantity.Mass
		for _, name := range c.Received {
			bar, _ := bars.load(s, name)
			_, arrival := aroundArrival(bar)
			sum = sum.Add(quantity.MustMass(arrival.GetMass()))
		}
		if len(c.Received) > 0 && sum.Cmp(quantity.MustMass(c.ReceivedTotal)) != 0 {
			return fmt.Errorf("the bars received of %s add up to %s, and the total says %s", c.Name, sum, c.ReceivedTotal)
		}
		return nil
	}))
	fail(discrepancies.each(b, func(d *pb.Discrepancy) error {
		if len(d.Evidence) == 0 || d.Words == "" || d.Answerable == "" || len(d.Parties) == 0 || d.State != opened && d.DecidedEntry == 0 { // an offer to settle is entered while it is open
			return fmt.Errorf("%v", d)
		}
		for _, e := range d.Evidence {
			if e >= size {
				return fmt.Errorf("%s rests on entry %d, which does not exist", d.Name, e)
			}
		}
		return nil
	}))
	fail(indexed(b))
	return found
}

// indexed says where what leads to things does not lead to all of them and to nothing else.
func indexed(b *ledger.Book) error {
	for _, t := range tables {
		want, got := map[string]bool{}, 0
		err := t.page(b, nil, ^uint64(0), func(key []byte, value thing) bool {
			k := t.keysOf(value)
			for i, v := range k.values {
				if v != "" {
					want[string(entryOf(i+1, v, key))] = true
				}
			}
			for _, party := range k.parties {
				want[string(entryOf(0, party, key))] = true
			}
			return true
		})
		if err != nil {
			return err
		}
		by := b.Table(t.title() + bySuffix)
		for line := range want {
			if by.Get([]byte(line)) == nil {
				return fmt.Errorf("%s %q is not led to", t.title(), line)
			}
			got++
		}
		lines, c := 0, by.Cursor()
		for k, _ := c.First(); k != nil; k, _ = c.Next() {
			lines++
		}
		if lines != got {
			return fmt.Errorf("%s has %d lines, want %d", t.title(), lines, got)
		}
	}
	return nil
}

// Lists that grow from one another never write into each other's room.
func TestJoinSharesNothing(t *testing.T) {
	base := make([]string, 2, 8)
	base[0], base[1] = "a", "b"
	one, two := join(base, "c"), join(base, "d")
	if !slices.Equal(one, []string{"a", "b", "c"}) || !slices.Equal(two, []string{"a", "b", "d"}) {
		t.Errorf("got %v and %v", one, two)
	}
}

// What decodes knows every field, has a body, and says the same when it is encoded again.
func FuzzDecode(f *testing.F) {
	r, first := everything(f) // one seed of each kind
	for _, seq := range first {
		e, err := r.l.Entry(seq)
		if err != nil {
			f.Fatal(err)
		}
		f.Add(e.Event)
	}
	f.Add([]byte{})
	f.Add([]byte{0x0a, 0x01, 'x', 0x92, 0x3f, 0x00})
	f.Fuzz(func(t *testing.T, b []byte) {
		event, err := Decode(b)
		if err != nil {
			if r := refusal.As(err); r == nil || r.Kind != refusal.Invalid || r.Text == "" {
				t.Fatalf("refused by %v", err)
			}
			return
		}
		if kindOf(event) == "" || unknownField(event.ProtoReflect()) != "" || len(b) > MaxEvent {
			t.Fatalf("took %v", event)
		}
		if !slices.Contains(identity.EventKinds, identity.EventKind(kindOf(event))) {
			t.Fatalf("took a kind that the matrix does not know: %s", kindOf(event))
		}
		again, err := deterministic.Marshal(event)
		if err != nil {
			t.Fatal(err)
		}
		other, err := Decode(again)
		if len(again) > MaxEvent {
			return // a shorter spelling of the same
		}
		if err != nil || !proto.Equal(event, other) {
			t.Fatalf("encoded again it says another thing: %v", err)
		}
	})
}

package book

import (
	"bytes"
	"encoding/binary"
	"slices"
	"testing"

	"pgregory.net/rapid"

	"barward/internal/ledger"
)

// What several conditions agree on is what a plain comparison finds, in the same order, whatever the places at which it
// was stopped and went on, and whatever lies between.
func TestAgreeingAgainstAPlainSearch(t *testing.T) {
	rapidly(t, "200", func(rt *rapid.T) {
		by := ledger.NewBook().Table("by")
		columns := rapid.IntRange(1, 4).Draw(rt, "columns")
		var conditions []narrowing
		for c := range columns {
			conditions = append(conditions, narrowing{c, "yes"})
		}
		below := rapid.Uint64Range(0, 300).Draw(rt, "below")
		var want [][]byte
		for n := range rapid.IntRange(0, 120).Draw(rt, "things") {
			key := binary.BigEndian.AppendUint16(binary.BigEndian.AppendUint64(nil, uint64(n*3/2)+250*uint64(n%2)), uint16(n%3))
			all := true
			for c := range columns {
				value := rapid.SampledFrom([]string{"yes", "yes", "no", "yesterday"}).Draw(rt, "value")
				all = all && value == "yes"
				if err := by.Put(entryOf(c, value, key), byValue); err != nil {
					rt.Fatal(err)
				}
			}
			if all && binary.BigEndian.Uint64(key) < below {
				want = append(want, key)
			}
		}
		slices.SortFunc(want, bytes.Compare)
		most := rapid.IntRange(columns+1, 20).Draw(rt, "most")
		page := rapid.IntRange(1, 10).Draw(rt, "page")
		var got [][]byte
		var after []byte
		for {
			here := 0
			var last []byte
			stopped := agreeing(by, conditions, after, below, most, func(key []byte) bool {
				if here == page {
					return false
				}
				here++
				last = slices.Clone(key)
				got = append(got, last)
				return true
			})
			switch {
			case stopped != nil:
				after = stopped
			case here == page:
				after = last
			default:
				if !slices.EqualFunc(got, want, bytes.Equal) {
					rt.Fatalf("found %x, want %x", got, want)
				}
				return
			}
		}
	})
}

// A list of auditors with one grant, with two, and with none shows what getting one by one shows, by any filter.
func TestListsOfAuditors(t *testing.T) {
	r, _ := everything(t)
	all := `parties = "quillmoss"`
	for step, grants := range []int{1, 2} {
		if step == 1 {
			e := r.grant("GR", "plumbline", "2027-03-01T00:00:00Z", "2027-12-01T00:00:00Z")
			e.Consignments = nil
			r.must("fennimore", e)
		}
		c := r.callerAt("quentin", "2027-03-02T00:00:00Z")
		if len(c.Reach) != grants {
			t.Fatalf("%d grants run, want %d", len(c.Reach), grants)
		}
		r.view(func(b *ledger.Book) {
			for kind, table := range byKind {
				var want []string
				if err := table.page(b, nil, ^uint64(0), func(_ []byte, value thing) bool {
					if _, err := Get(b, c, kind, value.GetName()); err == nil {
						want = append(want, value.GetName())
					}
					return true
				}); err != nil {
					t.Fatal(err)
				}
				if got := listAll(t, b, c, kind, r.l.Size()); !slices.Equal(got, want) {
					t.Errorf("%d grants, %v: listed %v, got one by one %v", grants, kind, got, want)
				}
				if !table.limited() {
					continue
				}
				if things, _, err := List(b, c, kind, all, "", maxPageSize, r.l.Size()); err != nil || len(things) > len(want) {
					t.Errorf("%d grants, %v: %d by filter, %d at all, %v", grants, kind, len(things), len(want), err)
				}
			}
		})
	}
}

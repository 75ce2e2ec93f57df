package book

import (
	"sort"

	"barward/internal/identity"
	"barward/internal/ledger"
	"barward/internal/quantity"
	"barward/internal/refusal"
	pb "barward/proto/barward/v1"
)

// Summarize adds up the discrepancies that a caller may see and that pass a filter, by who must answer and by kind, the
// most money first. Money is added exactly and by itself for each currency; what is at stake stays an estimate, however
// exactly it is added. Where two parties must answer together, they are a line of their own.
func Summarize(pages *ledger.Book, caller identity.Caller, filter string, size uint64) (*pb.SummarizeDiscrepanciesResponse, error) {
	wanted, err := parseFilter(discrepancies.fields(), filter)
	if err != nil {
		return nil, err
	}
	s := &store{pages: pages}
	answerable, kind := totals{}, totals{}
	seen := 0
	err = discrepancies.each(pages, func(d *pb.Discrepancy) error {
		if seen++; seen > maxSummed {
			return refusal.New(refusal.Exhausted, "REGISTER_TOO_LONG", "", "the register has more than the %d discrepancies that are added up at once; go through it page by page", maxSummed)
		}
		shown := s.sight(caller, discrepancies.kind, d)
		if shown == nil || !wanted.pass(shown) {
			return nil
		}
		if err := answerable.add(d.Answerable, d); err != nil {
			return err
		}
		return kind.add(word(d.Kind), d)
	})
	if err != nil {
		return nil, err
	}
	return &pb.SummarizeDiscrepanciesResponse{ByAnswerable: answerable.lines(), ByKind: kind.lines(), TreeSize: size}, nil
}

// word is a kind of discrepancy as a filter writes it.
func word(kind pb.DiscrepancyKind) string { return kind.String()[len("DISCREPANCY_KIND_"):] }

// totals are the lines of a summary by what they add up.
type totals map[string]*total

type total struct {
	line           *pb.DiscrepancyTotal
	open, conceded map[quantity.Currency]quantity.Decimal
}

func (t totals) add(of string, d *pb.Discrepancy) error {
	one := t[of]
	if one == nil {
		one = &total{&pb.DiscrepancyTotal{Of: of}, map[quantity.Currency]quantity.Decimal{}, map[quantity.Currency]quantity.Decimal{}}
		t[of] = one
	}
	one.line.Count++
	if d.State != pb.DiscrepancyState_DISCREPANCY_STATE_OPEN {
		return addMoney(one.conceded, d.Conceded)
	}
	one.line.Open++
	if d.ClaimBy != "" && (one.line.NextClaimBy == "" || d.ClaimBy < one.line.NextClaimBy) {
		one.line.NextClaimBy = d.ClaimBy
	}
	return addMoney(one.open, d.Money)
}

func addMoney(sums map[quantity.Currency]quantity.Decimal, amount string) error {
	if amount == "" {
		return nil
	}
	m, err := quantity.ParseMoney(amount)
	if err != nil {
		return err
	}
	sums[m.Currency()] = sums[m.Currency()].Add(m.Amount())
	return nil
}

// lines prints the totals, the most money first. Currencies are not compared: it is the largest amount that counts.
func (t totals) lines() []*pb.DiscrepancyTotal {
	var all []*total
	for _, one := range t {
		one.line.MoneyOpen, one.line.Conceded = amounts(one.open), amounts(one.conceded)
		all = append(all, one)
	}
	sort.Slice(all, func(i, j int) bool {
		if c := most(all[i].open).Cmp(most(all[j].open)); c != 0 {
			return c > 0
		}
		if all[i].line.Open != all[j].line.Open {
			return all[i].line.Open > all[j].line.Open
		}
		return all[i].line.Of < all[j].line.Of
	})
	var lines []*pb.DiscrepancyTotal
	for _, one := range all {
		lines = append(lines, one.line)
	}
	return lines
}

func amounts(sums map[quantity.Currency]quantity.Decimal) []string {
	var list []string
	for currency, sum := range sums {
		list = append(list, sum.String()+" "+string(currency))
	}
	sort.Slice(list, func(i, j int) bool { return list[i][len(list[i])-3:] < list[j][len(list[j])-3:] })
	return list
}

func most(sums map[quantity.Currency]quantity.Decimal) (largest quantity.Decimal) {
	for _, sum := range sums {
		largest = quantity.Max(largest, sum)
	}
	return largest
}

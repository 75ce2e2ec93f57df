package main

import (
	"fmt"
	"slices"
	"strings"

	"github.com/alecthomas/kong"
	"google.golang.org/protobuf/proto"

	"barward/client/station"
	"barward/internal/refusal"
	pb "barward/proto/barward/v1"
)

// discrepancyList is the register that a manager works from: in the order of time page by page, or the whole of it
// sorted here, which the service does not do.
type discrepancyList struct {
	listCmd `embed:""`
	Sort    string `help:"money (most at stake first) or deadline (next to lapse first); reads every page, open ones first." enum:"money,deadline," default:""`
}

// Run lists.
func (c *discrepancyList) Run(a *app, chosen *kong.Context) error {
	if c.Sort == "" {
		return c.listCmd.Run(a, chosen)
	}
	if c.PageToken != "" {
		return refusal.Invalidf("SORT_OF_A_PAGE", "--page-token", "--sort reads the whole register; leave --page-token out.")
	}
	var all []*pb.Thing
	tooLong := false
	err := a.walk(pb.ThingKind_THING_KIND_DISCREPANCY, c.Filter, func(t *pb.Thing) bool {
		all = append(all, t)
		tooLong = len(all) > maxSorted
		return !tooLong
	})
	if err != nil {
		return err
	}
	if tooLong {
		return refusal.New(refusal.Exhausted, "REGISTER_TOO_LONG", "--sort", "More than %d discrepancies pass the filter. Give a narrower --filter, such as 'state = \"OPEN\"'.", maxSorted)
	}
	slices.SortStableFunc(all, func(x, y *pb.Thing) int {
		return station.CompareDiscrepancies(x.GetDiscrepancy(), y.GetDiscrepancy(), c.Sort)
	})
	return a.showThings(pb.ThingKind_THING_KIND_DISCREPANCY, all)
}

// today is the day of a reading: --at where it is given.
func (a *app) today() string {
	if len(a.g.At) >= len("2006-01-02") {
		return a.g.At[:len("2006-01-02")]
	}
	return a.now().Format("2006-01-02")
}

// discrepancySummary adds up the register.
type discrepancySummary struct {
	Filter string `help:"As in a list; empty for all." placeholder:"EXPR"`
}

// Run asks for the totals.
func (c *discrepancySummary) Run(a *app) error {
	if err := a.open(); err != nil {
		return err
	}
	ctx, cancel := a.call()
	defer cancel()
	answer, err := a.book.SummarizeDiscrepancies(ctx, &pb.SummarizeDiscrepanciesRequest{Filter: c.Filter})
	if err != nil {
		return err
	}
	if a.g.Output == "json" {
		return a.showJSON([]proto.Message{answer})
	}
	t := table{columns: []string{"by", "of", "count", "open", "at stake", "conceded", "next claim by"}}
	for _, part := range []struct {
		by    string
		lines []*pb.DiscrepancyTotal
	}{{"answerable", answer.GetByAnswerable()}, {"kind", answer.GetByKind()}} {
		for _, l := range part.lines {
			of := l.GetOf()
			if part.by == "kind" {
				of = strings.ToLower(strings.ReplaceAll(of, "_", " "))
			}
			t.add(part.by, of, fmt.Sprint(l.GetCount()), fmt.Sprint(l.GetOpen()), strings.Join(l.GetMoneyOpen(), ", "), strings.Join(l.GetConceded(), ", "), l.GetNextClaimBy())
		}
	}
	if err := a.showTable(t); err != nil {
		return err
	}
	say(a.complain, "What is at stake is an estimate at the last published price. Read at %d entries.\n", answer.GetTreeSize())
	return nil
}

package main

import (
	"fmt"
	"strings"

	"barward/client/station"
	"barward/internal/refusal"
	pb "barward/proto/barward/v1"
)

type barCmd struct {
	Weigh weighCmd `cmd:"" help:"Record a weighing of a bar." computes:"weighing" example:"barward bar weigh OT-0412 --stage release --balance B1 --reading '12441.3 g' --reading '12441.4 g'"`
	List  listCmd  `cmd:"" help:"List bars." example:"barward bar list --filter 'state = \"RECEIVED\"'"`
	Show  showCmd  `cmd:"" help:"Show a bar: weighings, assays, where it is." example:"barward bar show OT-0412"`
	Trace barTrace `cmd:"" help:"The whole route of a bar: who, when, seals, weights, gaps." example:"barward bar trace ottermere/OT-0412"`
}

type barTrace struct {
	Bar string `arg:"" help:"The bar."`
}

// Run shows the route.
func (c *barTrace) Run(a *app) error {
	if err := a.open(); err != nil {
		return err
	}
	bar, err := a.ref(c.Bar)
	if err != nil {
		return err
	}
	ctx, cancel := a.call()
	defer cancel()
	route, err := a.book.TraceBar(ctx, &pb.TraceBarRequest{Bar: bar})
	if err != nil {
		return err
	}
	t := table{columns: []string{"entry", "when", "what", "party", "person", "with", "place", "seals", "mass", "note",
		"finding"}}
	for _, s := range route.GetSteps() {
		t.add(fmt.Sprint(s.GetEntry()), s.GetOccurredAt(), strings.ReplaceAll(s.GetAction(), "_", " "), s.GetParty(),
			s.GetPerson(), s.GetCounterparty(),
			s.GetPlace(), strings.Join(s.GetSeals(), " "), s.GetMass(), s.GetNote(), strings.Join(s.GetFindings(), "; "))
	}
	if a.g.Output != "table" {
		return a.show(t, route)
	}
	b := route.GetBar()
	say(a.out, "%s: %s, held by %s; the ledger had %d entries\n\n", b.GetName(), word(b.GetState()), b.GetHolder(),
		route.GetTreeSize())
	for _, s := range route.GetSteps() {
		say(a.out, "%6d  %-25s  %-13s %s\n", s.GetEntry(), s.GetOccurredAt(), strings.ReplaceAll(s.GetAction(), "_",
			" "), printable(join(", ",
			s.GetPerson(), with("with ", s.GetCounterparty()), with("at ", s.GetPlace()), s.GetMass(), with("seals ",
				strings.Join(s.GetSeals(), " ")),
			with("to accept by ", s.GetAcceptBy()), s.GetNote())))
		for _, f := range s.GetFindings() {
			say(a.out, "        ! %s\n", printable(f))
		}
	}
	for i, d := range route.GetDiscrepancies() {
		if i == 0 {
			say(a.out, "\ndiscrepancies\n")
		}
		say(a.out, "  ! %s (%s)\n", printable(discrepancyLine(d)), word(d.GetState()))
	}
	return nil
}

// showRaised prints discrepancies under the thing that bears them, each with what explains it and how sure it is. Who may
// see the thing and not the discrepancy reads its name above and nothing here.
func (a *app) showRaised(names []string) error {
	for i, name := range names {
		if i == maxRaised {
			say(a.out, "  and %d more: `barward discrepancy list`\n", len(names)-maxRaised)
			return nil
		}
		thing, err := a.get(pb.ThingKind_THING_KIND_DISCREPANCY, name)
		if refused := station.OfStatus(err); refused != nil && refused.Kind == refusal.NotFound {
			continue
		}
		if err != nil {
			return err
		}
		if i == 0 {
			say(a.out, "\ndiscrepancies\n")
		}
		d := thing.GetDiscrepancy()
		say(a.out, "  ! %s (%s)\n", printable(discrepancyLine(d)), word(d.GetState()))
		if sure := join("; ", with("air buoyancy explains ", d.GetExplained()), with("what remains is ", d.GetRemaining()),
			with("uncertainty (k = 2) ", d.GetUncertainty())); sure != "" {
			say(a.out, "      %s\n", printable(sure))
		}
	}
	return nil
}

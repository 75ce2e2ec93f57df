package main

import (
	"errors"
	"fmt"
	"io"
	"time"

	"barward/client/station"
	"barward/internal/quantity"
	"barward/internal/refusal"
	pb "barward/proto/barward/v1"
)

// showBalanceStatus says where a balance stands, in words first.
func (a *app) showBalanceStatus(name string, s *pb.GetBalanceStatusResponse) error {
	t := table{columns: []string{"subject", "mass", "weighed at", "entry", "doubt"}}
	for _, u := range s.GetSince() {
		t.add(u.GetSubject(), u.GetMass(), u.GetWeighedAt(), fmt.Sprint(u.GetEntry()), u.GetDoubt())
	}
	switch a.g.Output {
	case "json":
		return a.show(t, s)
	case "csv":
		return a.showTable(t)
	}
	say(a.out, "%s: %s\n", name, printable(s.GetWords()))
	for _, note := range s.GetNotes() {
		say(a.out, "  · %s\n", printable(note))
	}
	if len(t.rows) == 0 {
		return nil
	}
	say(a.out, "\nweighed since its last good check; this hangs on the next one\n")
	if err := a.showTable(t); err != nil {
		return err
	}
	if s.GetMore() {
		say(a.complain, "There is more than is listed.\n")
	}
	return nil
}

// weighCmd records a weighing of a bar or a box.
type weighCmd struct {
	Subject  string   `arg:"" help:"Bar or box."`
	Balance  string   `required:"" help:"Balance."`
	Reading  []string `required:"" help:"What it showed; at least two."`
	Unit     string   `help:"Unit of readings written without one: g, kg, mg or oz."`
	Stage    string   `required:"" help:"pour, release, transit, arrival or recheck."`
	airFlags `embed:""`
}

// Run records the weighing.
func (c *weighCmd) Run(a *app) error {
	stage, err := choose(pb.WeighingStage_value, "WEIGHING_STAGE_", c.Stage, "--stage")
	if err != nil {
		return err
	}
	event := &pb.Weighed{Stage: pb.WeighingStage(stage), Air: c.air()}
	if event.Subject, err = a.ref(c.Subject); err != nil {
		return err
	}
	if event.Balance, err = a.ref(c.Balance); err != nil {
		return err
	}
	if event.Readings, err = station.MassesOf(c.Reading, c.Unit); err != nil {
		return refusal.In(err, "--reading")
	}
	return a.record(event)
}

// endOfInput turns the end of standard input into the end of a dialogue.
func endOfInput(err error) error {
	if errors.Is(err, io.EOF) {
		return nil
	}
	return err
}

func checkDate(text string) error {
	if _, err := time.Parse(time.DateOnly, text); err != nil {
		return refusal.Invalidf("DATE_MALFORMED", "", "%q is no date; write it as 2026-03-02", text)
	}
	return nil
}

func checkPositive(text string) error {
	d, err := quantity.ParseDecimal(text)
	if err == nil && d.Sign() <= 0 {
		err = refusal.Invalidf("NUMBER_NOT_POSITIVE", "", "%s is not more than zero", text)
	}
	return err
}

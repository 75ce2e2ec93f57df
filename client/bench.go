package main

import (
	"errors"
	"io"
	"strings"
	"time"

	"barward/internal/quantity"
	"barward/internal/refusal"
	"barward/internal/weighing"
	pb "barward/proto/barward/v1"
)

// showBalanceStatus says where a balance stands now, by the rules of its room.
func (a *app) showBalanceStatus(b *pb.Balance) error {
	registered, err := balanceOf(b.GetRegistered())
	if err != nil {
		return err
	}
	var checks []weighing.DatedResult
	for _, c := range b.GetChecks() {
		at, err := time.Parse(time.RFC3339, c.GetCheckedAt())
		if err != nil {
			return err
		}
		checks = append(checks, weighing.DatedResult{At: at, Passed: c.GetPassed()})
	}
	state := strings.ReplaceAll(string(weighing.Status(a.now(), checks, registered)), "_", " ")
	last, findings := "", ""
	if n := len(b.GetChecks()); n > 0 {
		last, findings = b.GetChecks()[n-1].GetCheckedAt(), strings.Join(b.GetChecks()[n-1].GetFindings(), "; ")
	}
	t := table{columns: []string{"balance", "status", "last check", "findings"}}
	t.add(b.GetName(), state, last, findings)
	if a.g.Output == "json" {
		return a.showValue(map[string]string{"balance": b.GetName(), "status": state, "last_check": last,
			"findings": findings})
	}
	return a.showTable(t)
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
	if event.Readings, err = massesOf(c.Reading, c.Unit); err != nil {
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

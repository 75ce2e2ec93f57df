package desk

import (
	"fmt"
	"html/template"
	"strings"

	"barward/client/station"
	"barward/internal/quantity"
	"barward/internal/refusal"
	"barward/internal/weighing"
	pb "barward/proto/barward/v1"
)

// weightClasses are those of OIML R 111 that a check may be made with.
var weightClasses = []string{"E2", "F1", "F2", "M1", "M2"}

// checkRow is one weight of a check, as typed, with its verdict.
type checkRow struct {
	Nominal, Class, Observed string
	Verdict                  verdict
}

// verdict is what is thought of a row: a sign, and words that say the same.
type verdict struct {
	Kind string // ok, open or no
	Text string
	Big  string // a figure to be read at arm's length
}

// Sign is the sign of the verdict.
func (x verdict) Sign() string {
	switch x.Kind {
	case "ok":
		return "✓"
	case "no":
		return "✗"
	}
	return "…"
}

// balanceCheck is today's check: known weights on, what is shown typed, expected against found.
func (v *visit) balanceCheck() error {
	f := v.form()
	balances, seen, err := v.balances()
	if err != nil {
		return err
	}
	v.usualCheck(f, balances)
	rows, body, passed := v.judgeCheck(f)
	if v.posted() {
		if len(body.GetPoints()) == 0 {
			f.Blame("nominal[0]", "Put at least one known weight on, and type what the balance shows.")
			rows, body, passed = v.judgeCheck(f)
		}
		if f.Good() {
			err := v.signCheck(f, body, passed)
			if err == nil {
				return v.redirect(v.room.Path)
			}
			if !f.refuse(err) {
				return err
			}
			rows, _, passed = v.judgeCheck(f)
		}
		v.status = 422
	}
	var line balanceLine
	for _, b := range balances {
		if b.Name == f.Get("balance") {
			line = b
		}
	}
	return v.show("goldroom_check.html", "Check the balance", map[string]any{"Form": f,
		"Balances": balanceOptions(balances), "Line": line,
		"Room": v.room, "Rows": rows, "Classes": weightClasses, "Passed": passed, "Seen": seen, "Any": len(body.GetPoints()) > 0,
		"Begun": len(f.Filled("nominal"))+len(f.Filled("observed")) > 0})
}

func (v *visit) signCheck(f *Form, body *pb.BalanceChecked, passed bool) error {
	site := v.siteOf(body.GetBalance())
	words := "The check of " + shortName(v.seat.Party, body.GetBalance()) + " (passed)"
	if !passed {
		words = "The check of " + shortName(v.seat.Party, body.GetBalance()) + " (failed: do not weigh on it)"
	}
	_, err := v.signAll(f, words, signing{body: body, place: site})
	if err != nil {
		return err
	}
	var usual [][2]string
	for _, p := range body.GetPoints() {
		usual = append(usual, [2]string{p.GetNominal(), p.GetWeightClass()})
	}
	return v.d.kept.WriteJSON("checks/"+fileName(body.GetBalance())+".json", usual)
}

// usualCheck fills in the balance that was asked for and the weights that were used last, for who has not typed yet.
func (v *visit) usualCheck(f *Form, balances []balanceLine) {
	if asked := v.r.URL.Query().Get("balance"); asked != "" {
		f.Set("balance", asked)
	}
	if len(balances) > 0 {
		f.Set("balance", balances[0].Name)
	}
	if len(f.All("nominal")) > 0 {
		return
	}
	var usual [][2]string
	if found, err := v.d.kept.ReadJSON("checks/"+fileName(f.Get("balance"))+".json",
		&usual); err != nil || !found || len(usual) == 0 {
		usual = [][2]string{{"", "E2"}, {"", "E2"}}
	}
	for _, u := range usual {
		f.values.Add("nominal", u[0])
		f.values.Add("weight_class", u[1])
		f.values.Add("observed", "")
	}
}

// judgeCheck puts what was typed to the rules of the balance. passed is true where every weight that was put on passes.
func (v *visit) judgeCheck(f *Form) (rows []checkRow, body *pb.BalanceChecked, passed bool) {
	body = &pb.BalanceChecked{Balance: f.Get("balance")}
	b := v.balanceKnown(body.GetBalance())
	unit := ""
	if b != nil {
		unit = string(b.Readability.Unit())
	}
	passed = true
	nominals, classes, observed := f.All("nominal"), f.All("weight_class"), f.All("observed")
	for i := range nominals {
		row := checkRow{Nominal: nominals[i]}
		if i < len(classes) {
			row.Class = classes[i]
		}
		if i < len(observed) {
			row.Observed = observed[i]
		}
		point, err := checkPoint(row, unit)
		at := fmt.Sprintf("nominal[%d]", i)
		wrong := f.Wrong(at) + f.Wrong(fmt.Sprintf("points[%d]", i))
		switch {
		case row.Nominal == "" && row.Observed == "":
			row.Verdict = verdict{}
			if wrong != "" {
				row.Verdict = verdict{Kind: "no", Text: wrong}
			}
			rows = append(rows, row)
			continue
		case row.Nominal == "" || row.Observed == "":
			row.Verdict = verdict{Kind: "open", Text: "weight, class and what is shown, all three"}
			if row.Nominal != "" {
				row.Verdict.Text = "put it on and type what the balance shows"
			}
			rows = append(rows, row)
			continue
		}
		body.Points = append(body.Points, &pb.CheckPoint{Nominal: point.Nominal.String(), WeightClass: row.Class,
			Observed: point.Observed.String()})
		var result weighing.CheckResult
		if err == nil && b != nil {
			result, err = weighing.CheckBalance(*b, []weighing.CheckPoint{point}, weighing.InService)
		}
		switch {
		case wrong != "":
			row.Verdict = verdict{Kind: "no", Text: wrong}
		case err != nil:
			row.Verdict = verdict{Kind: "no", Text: capital(station.TextOf(err))}
			f.Blame(at, row.Verdict.Text)
		case b == nil:
			row.Verdict = verdict{Kind: "open", Text: "the balance is not known here, so the service will judge"}
		default:
			row.Verdict = pointVerdict(result)
			row.Verdict.Big = point.Observed.String() // with its unit: a figure alone is the balance's
			passed = passed && result.Passed
		}
		rows = append(rows, row)
	}
	return rows, body, passed && len(body.GetPoints()) > 0
}

func pointVerdict(result weighing.CheckResult) verdict {
	p := result.Points[0]
	word, kind := "passes", "ok"
	if !p.Passed {
		word, kind = "FAILS", "no"
	}
	text := fmt.Sprintf("%s: error %s g, permitted %s g", word, signed(p.Error), p.Permitted)
	for _, w := range result.Warnings {
		text += ". " + capital(w.Text)
	}
	return verdict{Kind: kind, Text: text}
}

// signed writes a difference with its sign.
func signed(d quantity.Decimal) string {
	if d.Sign() > 0 {
		return "+" + d.String()
	}
	return strings.Replace(d.String(), "-", "−", 1)
}

func checkPoint(row checkRow, unit string) (p weighing.CheckPoint, err error) {
	p.WeightClass = row.Class
	if p.Nominal, err = mass(row.Nominal, unit); err != nil {
		return p, refusal.In(err, "nominal")
	}
	p.Observed, err = mass(row.Observed, unit)
	return p, refusal.In(err, "observed")
}

// checkPoints reads the points of a check that was signed.
func checkPoints(c *pb.BalanceChecked) (points []weighing.CheckPoint, err error) {
	for _, p := range c.GetPoints() {
		point, err := checkPoint(checkRow{Nominal: p.GetNominal(), Class: p.GetWeightClass(), Observed: p.GetObserved()}, "")
		if err != nil {
			return nil, err
		}
		points = append(points, point)
	}
	return points, nil
}

// balanceCheckLive answers while the check is typed.
func (v *visit) balanceCheckLive() error {
	f := v.form()
	rows, body, passed := v.judgeCheck(f)
	parts := map[string]template.HTML{}
	for i, row := range rows {
		html, err := v.part("goldroom_check.html", "verdict", row.Verdict)
		if err != nil {
			return err
		}
		parts[fmt.Sprintf("verdict-%d", i)] = html
	}
	html, err := v.part("goldroom_check.html", "whole", map[string]any{"Any": len(body.GetPoints()) > 0, "Passed": passed,
		"Begun": len(f.Filled("nominal"))+len(f.Filled("observed")) > 0})
	if err != nil {
		return err
	}
	parts["whole"] = html
	return v.answer(fresh{Parts: parts})
}

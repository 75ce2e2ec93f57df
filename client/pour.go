package main

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"strings"

	"barward/client/station"
	"barward/internal/quantity"
	"barward/internal/refusal"
	"barward/internal/weighing"
	pb "barward/proto/barward/v1"
)

// Cautions shown where the action is. Local codes and the responsible person prevail over them.
const (
	moltenCaution = "Caution: molten metal and a hot mould. Dry tools and moulds only (moisture throws metal), two people present,\n" +
		"face, hands and lungs protected; bars are heavy. Your site's rules and the responsible person prevail over this tool.\n"
	moneyCaution = "Not legal advice: where this and the contract differ, the contract prevails. Read each line before you sign.\n"
)

type pourCmd struct {
	Log         pourLog        `cmd:"" help:"Record a pour: by flags, from a file, or asked for at the bench." computes:"weighing" example:"barward pour log P-7 --balance B1 --charge '61.2 kg' --slag '14.9 kg' --bar 'OT-0412=12441.3 g,12441.4 g'"`
	Countersign countersignCmd `cmd:"" help:"Witness a pour, as the second person." thing:"pour" example:"barward pour countersign P-7"`
	List        listCmd        `cmd:"" help:"List pours." example:"barward pour list"`
	Show        showCmd        `cmd:"" help:"Show a pour." example:"barward pour show P-7"`
}

type pourLog struct {
	Number   string   `arg:"" help:"Number of the pour."`
	Balance  string   `help:"Balance that the bars were weighed on."`
	Charge   string   `help:"Mass of the charge with flux."`
	Describe string   `help:"What was charged."`
	Slag     string   `help:"Mass of the slag."`
	Expected string   `help:"Gross doré that was expected."`
	Bar      []string `sep:"none" help:"mark=reading,reading; repeat for more bars." placeholder:"MARK=MASS,MASS"`
	File     string   `help:"Bars as CSV (mark, reading1, reading2, …), or the whole pour as JSON." type:"path"`
	Unit     string   `help:"Unit of readings written without one: g, kg, mg or oz."`
	Keep     bool     `help:"Record readings that disagree as they are; otherwise they are refused here, since a pour is not corrected."`
	airFlags `embed:""`
}

// airFlags are the air at the balance, all three or none.
type airFlags struct {
	Temperature string `help:"Air at the balance, °C." placeholder:"C"`
	Pressure    string `help:"Air at the balance, hPa at the place." placeholder:"HPA"`
	Humidity    string `help:"Air at the balance, % relative." placeholder:"PERCENT"`
}

func (f airFlags) air() *pb.Air {
	if f.Temperature+f.Pressure+f.Humidity == "" {
		return nil
	}
	return &pb.Air{TemperatureC: f.Temperature, PressureHpa: f.Pressure, HumidityPercent: f.Humidity}
}

// Run gathers the pour and records it.
func (c *pourLog) Run(a *app) error {
	say(a.complain, "%s", moltenCaution)
	event := &pb.PourRecorded{}
	if strings.HasSuffix(strings.ToLower(c.File), ".json") {
		if err := a.body(c.File, event); err != nil {
			return err
		}
	}
	event.PourId = c.Number
	for _, given := range []struct {
		flag  string
		field *string
	}{{c.Charge, &event.Charge}, {c.Describe, &event.ChargeDescription}, {c.Slag, &event.Slag}, {c.Expected,
		&event.Expected}, {c.Balance, &event.Balance}} {
		if given.flag != "" {
			*given.field = given.flag
		}
	}
	if air := c.air(); air != nil {
		event.Air = air
	}
	var err error
	if event.Balance, err = a.ref(event.GetBalance()); err != nil {
		return err
	}
	bars, err := c.bars(a)
	if err != nil {
		return err
	}
	event.Bars = append(event.Bars, bars...)
	if !c.Keep {
		if err := a.agreeing(event); err != nil {
			return err
		}
	}
	if _, sits := a.terminal(); sits && len(event.GetBars()) == 0 {
		if event.Bars, err = a.atTheBench(event.GetBalance(), c.Unit); err != nil {
			return err
		}
	}
	if len(event.GetBars()) == 0 {
		return refusal.Invalidf("BARS_MISSING", "bars",
			"A pour has at least one bar. Give --bar MARK=READING,READING or --file, or run it on a terminal.")
	}
	return a.record(event)
}

// bars are those of the flags and of the CSV file.
func (c *pourLog) bars(a *app) (bars []*pb.PouredBar, err error) {
	for _, text := range c.Bar {
		mark, readings, _ := strings.Cut(text, "=")
		full, err := station.MassesOf(strings.Split(readings, ","), c.Unit)
		if err != nil {
			return nil, refusal.In(err, "--bar "+mark)
		}
		bars = append(bars, &pb.PouredBar{Mark: strings.TrimSpace(mark), Readings: full})
	}
	if c.File == "" || strings.HasSuffix(strings.ToLower(c.File), ".json") {
		return bars, nil
	}
	rows, err := a.readRows(c.File, []string{"mark", "reading1", "reading2"}, nil)
	if err != nil {
		return nil, err
	}
	for _, r := range rows {
		full, err := station.MassesOf(r.readings, c.Unit)
		if err != nil {
			return nil, r.wrong("reading", err)
		}
		bars = append(bars, &pb.PouredBar{Mark: r.cells["mark"], Readings: full})
	}
	return bars, nil
}

// agreeing refuses readings that the balance at hand would not have accepted, before they are signed: a slip of the pen,
// such as a comma for the point, would make a bar of half its weight. Where the balance is not known the service judges.
func (a *app) agreeing(event *pb.PourRecorded) error {
	if len(event.GetBars()) == 0 {
		return nil
	}
	b, err := a.balance(event.GetBalance())
	if err != nil {
		return nil
	}
	for i, bar := range event.GetBars() {
		at := fmt.Sprintf("bars[%d]", i)
		var masses []quantity.Mass
		for _, r := range bar.GetReadings() {
			m, err := quantity.ParseMass(r)
			if err != nil {
				return refusal.In(err, at+".readings")
			}
			masses = append(masses, m)
		}
		weight, err := weighing.Read(*b, masses)
		if err != nil {
			return refusal.In(err, at)
		}
		if !weight.Agree {
			return refusal.Invalidf("READINGS_DISAGREE", at+".readings",
				"the readings of %s are %s apart, above the repeatability of %s. Nothing was signed; weigh a fresh pair (write a point, not a comma), or give --keep to record them as they are",
				bar.GetMark(), weight.Spread, b.Repeatability)
		}
	}
	return nil
}

// atTheBench asks for mark after mark and reading after reading, accepts a pair that agrees and asks for a fresh one
// where it does not. An empty mark ends it, once it is confirmed: a pour is signed and stays. `undo` takes the last bar
// back.
func (a *app) atTheBench(balance, unit string) (bars []*pb.PouredBar, err error) {
	b, err := a.balance(balance)
	if err != nil {
		say(a.complain, "The balance is not known here (%s), so readings are not judged now; the service will.\n",
			station.Sentence(err))
	}
	if unit == "" && b != nil {
		unit = string(b.Readability.Unit())
	}
	total := quantity.Mass{}
	var weights []quantity.Mass
	for {
		say(a.out, "mark of bar %d (empty to end, undo to take the last one back): ", len(bars)+1)
		mark, err := a.line()
		if err == nil && mark == "" && len(bars) > 0 {
			say(a.out, "record %s, total %s? yes, or the next mark: ", counted(len(bars), "bar"), total)
			mark, err = a.line()
			switch strings.ToLower(mark) {
			case "y", "yes":
				if err == nil {
					return bars, nil
				}
			case "n", "no":
				continue
			}
		}
		switch {
		case errors.Is(err, context.Canceled):
			return nil, stoppedBefore(err)
		case err != nil:
			return nil, endOfInput(err)
		case mark == "" && len(bars) == 0:
			return nil, nil
		case mark == "":
			continue
		case mark == "undo":
			if n := len(bars) - 1; n >= 0 {
				say(a.out, "  %s taken back\n", bars[n].GetMark())
				total = total.Sub(weights[n])
				bars, weights = bars[:n], weights[:n]
			}
			continue
		case slices.ContainsFunc(bars, func(bar *pb.PouredBar) bool { return bar.GetMark() == mark }):
			say(a.out, "  ✗ %s is in this pour already; a mark is used once\n", mark)
			continue
		}
		readings, weight, err := a.askReadings(b, unit)
		if errors.Is(err, context.Canceled) {
			return nil, stoppedBefore(err)
		}
		if err != nil {
			return nil, err
		}
		if readings == nil {
			say(a.out, "  %s not taken\n", mark)
			continue
		}
		total, weights = total.Add(weight), append(weights, weight)
		bars = append(bars, &pb.PouredBar{Mark: mark, Readings: readings})
		say(a.out, "  ✓ %s %s; %s, total %s\n", mark, weight, counted(len(bars), "bar"), total)
	}
}

// counted writes a number of things: "1 bar", "3 bars".
func counted(n int, thing string) string {
	if n == 1 {
		return "1 " + thing
	}
	return fmt.Sprintf("%d %ss", n, thing)
}

// askReadings asks until two readings agree, or until somebody insists; none where the bar is taken back with undo.
func (a *app) askReadings(b *weighing.Balance, unit string) ([]string, quantity.Mass, error) {
	var readings, apart []string // apart is the last pair that did not agree
	for {
		say(a.out, "  reading %d: ", len(readings)+1)
		text, err := a.line()
		if err != nil {
			return nil, quantity.Mass{}, err
		}
		if text == "undo" {
			return nil, quantity.Mass{}, nil
		}
		if text == "keep" && len(apart) > 0 {
			weight, _ := station.Judge(b, apart)
			return apart, weight.Mass, nil
		}
		full, err := station.MassOf(text, unit)
		if err == nil && b != nil {
			_, err = weighing.Read(*b, []quantity.Mass{quantity.MustMass(full),
				quantity.MustMass(full)}) // one reading alone: can the balance show it?
		}
		if err != nil {
			say(a.out, "  ✗ %s\n", station.Sentence(err))
			continue
		}
		if readings = append(readings, full); len(readings) < 2 {
			continue
		}
		weight, words := station.Judge(b, readings)
		if words == "" {
			return readings, weight.Mass, nil
		}
		say(a.out, "  ✗ %s; weigh a fresh pair, or type keep to record these as they are\n", words)
		readings, apart = nil, readings
	}
}

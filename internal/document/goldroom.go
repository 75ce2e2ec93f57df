package document

import (
	"strconv"
	"strings"

	pb "barward/proto/barward/v1"
)

// Cautions stand where the action is. Local codes and the responsible person prevail over them; general practice of
// the trade, and for water in a bar's cavities the commercial description of bar appearance in the Good Delivery
// rules.
const (
	moltenCaution = "Molten metal and a hot mould: dry and preheated tools and moulds only, because moisture throws " +
		"metal. " +
		"Face, hands and lungs protected; bars are heavy. Two persons at every pour, weighing and sampling."
	mercuryCaution = "Mercury: retort before smelting, under suction; open the retort only when it is cold; never smelt " +
		"unretorted amalgam. Your site's rules and the responsible person prevail over this paper."
	cavityCaution = "Water held in the cavities of a bar can explode when the bar is melted, and makes it weigh too " +
		"much: " +
		"dry bars before they are weighed and charged. Bars are heavy. Two persons wherever a box is open."
	sealCaution = "Do not open a seal without a second person present, and record every seal that is changed. Boxes are " +
		"heavy: two persons or a lifting aid. Local law on transport and export prevails over this paper."
)

// PourSheet prints a pour: what was charged, what was expected, each bar with its readings, and who saw it. Bars may
// leave out what the reader may not see; their readings are then those of the pour.
func PourSheet(p Paper, pour *pb.Pour, bars []*pb.Bar) ([]byte, error) {
	if pour.GetRecorded() == nil {
		return nil, incomplete("pour", "A pour sheet needs the pour as recorded.")
	}
	mark := ""
	if len(pour.GetWitnesses()) == 0 {
		mark = "NOT WITNESSED"
	}
	s, err := newSheet(p, "Pour sheet", pour.GetName(), mark)
	if err != nil {
		return nil, err
	}
	r := pour.GetRecorded()
	s.caution(moltenCaution)
	s.caution(mercuryCaution)
	s.fields(
		field{"poured by", p.name(pour.GetParty())},
		field{"poured at", instant(pour.GetPouredAt())},
		field{"balance", r.GetBalance()},
		field{"air at the balance", airWords(r.GetAir())},
		field{"charge", r.GetCharge()},
		field{"what was charged", r.GetChargeDescription()},
		field{"slag", r.GetSlag()},
		field{"doré expected", r.GetExpected()},
		field{"doré poured, all bars", pour.GetTotal()},
		field{"poured less expected", pour.GetAgainstExpected()},
		field{"witnesses", p.names(pour.GetWitnesses())},
	)
	known := map[string]*pb.Bar{}
	for _, b := range bars {
		known[b.GetName()] = b
	}
	officer := ""
	var rows [][]string
	for i, poured := range r.GetBars() {
		bar := known[pour.GetParty()+"/"+poured.GetMark()]
		w := lastWeight(bar, pb.WeighingStage_WEIGHING_STAGE_POUR)
		if step := lastStep(bar, "poured"); step != nil {
			officer = step.GetPerson()
		}
		readings := poured.GetReadings()
		if len(w.GetReadings()) > 0 {
			readings = w.GetReadings()
		}
		rows = append(rows, []string{strconv.Itoa(i + 1), poured.GetMark(), strings.Join(readings, "\n"), w.GetSpread(),
			w.GetMass(), remarks(w)})
	}
	s.heading("Bars")
	s.table("No bar is recorded.", []column{{title: "no.", right: true}, {title: "mark", strong: true},
		{title: "readings", right: true},
		{title: "spread", right: true}, {title: "weight", right: true, strong: true}, {title: "remarks"}}, rows)
	s.end(role{"Gold-room officer", p.name(officer)}, role{"Witness, who was there", p.names(pour.GetWitnesses())})
	return s.output()
}

// BarList prints bars with their last weight and assays. Subject says which bars they are, total is their weight as
// the record has it and may be empty: nothing is added up here.
func BarList(p Paper, subject, total string, bars []*pb.Bar) ([]byte, error) {
	s, err := newSheet(p, "Bar list", subject)
	if err != nil {
		return nil, err
	}
	s.fields(field{"bars on this list", strconv.Itoa(len(bars))}, field{"total on record", total})
	var rows [][]string
	for i, b := range bars {
		w := lastWeight(b)
		rows = append(rows, []string{strconv.Itoa(i + 1), b.GetName(), word(b.GetState(), "BAR_STATE_"), w.GetMass(),
			weighedWhen(w), assayWords(b.GetAssays()), b.GetBox(), b.GetHolder(),
			none(strings.Join(b.GetDiscrepancies(), ", "))})
	}
	s.table("There is no bar on this list.", []column{{title: "no.", right: true}, {title: "bar", strong: true},
		{title: "state"},
		{title: "last weight", right: true, strong: true}, {title: "weighed"}, {title: "assays"}, {title: "box"},
		{title: "held by"}, {title: "discrepancies"}}, rows)
	s.end(role{"Listed by", ""}, role{"Checked by", ""})
	return s.output()
}

// none is for a list of the record that is complete: an empty one says that there is nothing in it.
func none(text string) string {
	if text == "" {
		return "none"
	}
	return text
}

func airWords(a *pb.Air) string {
	if a == nil {
		return ""
	}
	return or(a.GetTemperatureC()) + " °C, " + or(a.GetPressureHpa()) + " hPa, " + or(a.GetHumidityPercent()) +
		" % humidity"
}

// lastWeight is the last weighing of a bar that stands, of any stage or of those given; nil where there is none.
func lastWeight(b *pb.Bar, stages ...pb.WeighingStage) *pb.WeightRecord {
	return lastOf(b.GetWeights(), stages)
}

func lastOf(weights []*pb.WeightRecord, stages []pb.WeighingStage) *pb.WeightRecord {
	for i := len(weights) - 1; i >= 0; i-- {
		if weights[i].GetSupersededBy() != 0 {
			continue
		}
		for _, stage := range stages {
			if weights[i].GetStage() == stage {
				return weights[i]
			}
		}
		if len(stages) == 0 {
			return weights[i]
		}
	}
	return nil
}

// lastStep is the last step of a bar's own route with this action; nil where there is none.
func lastStep(b *pb.Bar, action string) *pb.RouteStep {
	for i := len(b.GetRoute()) - 1; i >= 0; i-- {
		if b.GetRoute()[i].GetAction() == action {
			return b.GetRoute()[i]
		}
	}
	return nil
}

// remarks are what a reader should know of a weighing.
func remarks(w *pb.WeightRecord) string {
	if w == nil {
		return ""
	}
	var said []string
	if w.GetDoubt() != "" {
		said = append(said, "in doubt: "+w.GetDoubt())
	}
	return none(strings.Join(append(said, w.GetNotes()...), "\n"))
}

func weighedWhen(w *pb.WeightRecord) string {
	if w == nil {
		return ""
	}
	return word(w.GetStage(), "WEIGHING_STAGE_") + "\n" + instant(w.GetWeighedAt())
}

// assayWords are the results that stand and that the reader may see, the latest last.
func assayWords(assays []*pb.AssayRecord) string {
	var said []string
	for _, a := range assays {
		if a.GetSupersededBy() != 0 || a.GetSealed() {
			continue
		}
		said = append(said, resultWords(a.GetResults()))
	}
	return strings.Join(said, "\n")
}

func resultWords(results []*pb.AssayResult) string {
	var said []string
	for _, r := range results {
		said = append(said, r.GetElement()+" "+or(r.GetFineness()))
	}
	return strings.Join(said, ", ")
}

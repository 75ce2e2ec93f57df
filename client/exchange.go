package main

import (
	"crypto/rand"
	"encoding/hex"
	"fmt"
	"strings"

	"google.golang.org/protobuf/proto"

	"barward/internal/assay"
	"barward/internal/quantity"
	"barward/internal/refusal"
	pb "barward/proto/barward/v1"
)

type exchangeCmd struct {
	Commit        exchangeCommit        `cmd:"" help:"Seal your result before either side shows one. It is kept here until you reveal it." example:"barward exchange commit quillhaven/L-1 Au=812.30 Ag=148.05"`
	Reveal        exchangeReveal        `cmd:"" help:"Open the result that you sealed, once both sides have." example:"barward exchange reveal quillhaven/L-1"`
	UmpireAppoint exchangeUmpireAppoint `cmd:"" help:"Call the umpire laboratory whose turn it is." example:"barward exchange umpire-appoint L-1 --element Ag --laboratory greywether --packet-seal SN-802"`
	UmpireReport  exchangeUmpireReport  `cmd:"" help:"Report as umpire." example:"barward exchange umpire-report quillhaven/L-1 Ag=147.60 --packet-seal SN-802 --fee '640.00 USD'"`
	Silence       exchangeSilence       `cmd:"" help:"Declare that the other side let its day to report pass; the agreement says what that settles." example:"barward exchange silence quillhaven/L-1"`
	Show          exchangeShow          `cmd:"" help:"Where the exchange of a lot stands." example:"barward exchange show quillhaven/L-1"`
	List          listCmd               `cmd:"" help:"List lots in exchange." thing:"lot" example:"barward exchange list --filter 'state = \"IN_EXCHANGE\"'"`
	Preview       offlineCmd            `cmd:"" help:"What given results would settle, without a service. JSON in and out." offline:"exchange" example:"barward exchange preview --file figures.json"`
	UmpireAdvise  exchangeUmpireAdvise  `cmd:"" help:"Umpire or not: the chances, ounces and money of going on, for a lot on record or from figures alone. JSON in and out." computes:"umpire" example:"barward exchange umpire-advise --lot quillhaven/L-1 --element Ag --file labs.json"`
}

// sealedResult is a result that waits in home for its reveal. Whoever reads it knows our assay before the other side may.
type sealedResult struct {
	Lot     string          `json:"lot"`
	Side    string          `json:"side"`
	Round   int32           `json:"round"`
	Results []sealedElement `json:"results"`
	Nonce   string          `json:"nonce"`
}

type sealedElement struct {
	Element  string `json:"element"`
	Fineness string `json:"fineness"`
}

func sealedFile(lot string, round int32) string {
	return fmt.Sprintf("sealed/%s.round-%d.json", strings.ReplaceAll(lot, "/", "+"), round)
}

type exchangeCommit struct {
	Lot     string   `arg:"" help:"Lot."`
	Results []string `arg:"" help:"element=fineness in parts per thousand, to the last zero." placeholder:"Au=812.30"`
	Round   int32    `help:"Round; more than 1 for a re-assay." default:"1"`
	Side    string   `help:"seller or refiner; asked of the service if not given." enum:"seller,refiner," default:""`
	Again   bool     `help:"Seal anew, because the commitment made before was refused. The old file is kept beside it."`
}

// Run keeps the result first: a commitment whose nonce is lost can never be revealed.
func (c *exchangeCommit) Run(a *app) error {
	lot, err := a.ref(c.Lot)
	if err != nil {
		return err
	}
	side, err := a.side(lot, c.Side)
	if err != nil {
		return err
	}
	results, err := resultsOf(c.Results)
	if err != nil {
		return err
	}
	pure, err := pureResults(results)
	if err != nil {
		return err
	}
	name := sealedFile(lot, c.Round)
	before, taken, err := a.home.read(name)
	switch {
	case err != nil:
		return err
	case taken && !c.Again:
		return refusal.New(refusal.Exists, "RESULT_SEALED_ALREADY", "--again",
			"A result of lot %s for round %d is sealed in %s. A commitment cannot be changed: reveal it. If it was refused, give --again.", lot, c.Round, a.home.path(name))
	case taken:
		if err := a.notCommitted(lot, side, c.Round); err != nil {
			return err
		}
		if err := a.home.write(name+"."+a.now().UTC().Format("20060102T150405.000"), before); err != nil {
			return err
		}
	}
	var nonce [32]byte
	if _, err := rand.Read(nonce[:]); err != nil {
		return err
	}
	commitment := assay.Commit(lot, side, int(c.Round), pure, nonce)
	event := &pb.ResultCommitted{Lot: lot, Round: c.Round, Commitment: commitment[:]}
	sealed := sealedResult{Lot: lot, Side: string(side), Round: c.Round, Nonce: hex.EncodeToString(nonce[:])}
	for _, r := range results {
		event.Elements = append(event.Elements, r.GetElement())
		sealed.Results = append(sealed.Results, sealedElement{r.GetElement(), r.GetFineness()})
	}
	if err := a.home.writeJSON(name, sealed); err != nil {
		return err
	}
	say(a.complain,
		"The result is sealed in %s. Keep that file until it is revealed: without it the commitment is worth nothing.\n", a.home.path(name))
	return a.record(event)
}

// notCommitted refuses where the record holds a commitment of this side already: the sealed file that opens it must stay.
// Without a link nobody can tell, and nothing is replaced.
func (a *app) notCommitted(lot string, side assay.Side, round int32) error {
	thing, err := a.get(pb.ThingKind_THING_KIND_LOT, lot)
	if err != nil {
		return err
	}
	for _, s := range thing.GetLot().GetSteps() {
		if s.GetAction() == string(assay.StepCommitted) && s.GetSide() == string(side) && s.GetRound() == round {
			return refusal.New(refusal.Precondition, "ALREADY_COMMITTED", "--again",
				"The %s has committed to a result of lot %s in round %d (entry %d). The sealed file stays as it is, to be revealed.", side, lot, round, s.GetEntry())
		}
	}
	return nil
}

// side says for whom a result is: the lot's refiner owns it, the seller sold it.
func (a *app) side(lot, given string) (assay.Side, error) {
	if given != "" {
		return assay.Side(given), nil
	}
	party, _, err := a.identify()
	if err != nil {
		return "", err
	}
	thing, err := a.get(pb.ThingKind_THING_KIND_LOT, lot)
	if err != nil {
		return "", err
	}
	switch party {
	case thing.GetLot().GetSeller():
		return assay.Seller, nil
	case thing.GetLot().GetParty():
		return assay.Refiner, nil
	}
	return "", refusal.New(refusal.Forbidden, "SIDE_UNKNOWN", "--side",
		"%s is neither the seller nor the refiner of lot %s.", party, lot)
}

func pureResults(results []*pb.AssayResult) ([]assay.Result, error) {
	pure := make([]assay.Result, len(results))
	for i, r := range results {
		f, err := quantity.ParseFineness(r.GetFineness())
		if err != nil {
			return nil, err
		}
		pure[i] = assay.Result{Element: assay.Element(r.GetElement()), Fineness: f}
	}
	return pure, assay.CheckResults(pure)
}

type exchangeReveal struct {
	Lot   string `arg:"" help:"Lot."`
	Round int32  `help:"Round." default:"1"`
}

// Run reveals exactly what was sealed.
func (c *exchangeReveal) Run(a *app) error {
	lot, err := a.ref(c.Lot)
	if err != nil {
		return err
	}
	var sealed sealedResult
	found, err := a.home.readJSON(sealedFile(lot, c.Round), &sealed)
	if err != nil {
		return err
	}
	if !found {
		return refusal.New(refusal.NotFound, "RESULT_NOT_SEALED", "",
			"No result of lot %s for round %d is sealed in %s. Reveal it where it was committed.",
			lot, c.Round, a.home.path(sealedFile(lot, c.Round)))
	}
	nonce, err := hex.DecodeString(sealed.Nonce)
	if err != nil {
		return refusal.New(refusal.Precondition, "HOME_DAMAGED", "", "%s holds no nonce. Restore it from a backup.",
			a.home.path(sealedFile(lot, c.Round)))
	}
	event := &pb.ResultRevealed{Lot: lot, Round: c.Round, Nonce: nonce}
	for _, r := range sealed.Results {
		event.Results = append(event.Results, &pb.AssayResult{Element: r.Element, Fineness: r.Fineness})
	}
	return a.record(event)
}

type exchangeUmpireAppoint struct {
	Lot        string   `arg:"" help:"Lot."`
	Element    []string `required:"" help:"Elements in dispute."`
	Laboratory string   `required:"" help:"Party of the laboratory."`
	PacketSeal string   `required:"" help:"Seal of the packet handed to it."`
}

// Run records the appointment.
func (c *exchangeUmpireAppoint) Run(a *app) error {
	lot, err := a.ref(c.Lot)
	if err != nil {
		return err
	}
	return a.record(&pb.UmpireAppointed{Lot: lot, Elements: c.Element, Laboratory: c.Laboratory, PacketSeal: c.PacketSeal})
}

type exchangeUmpireReport struct {
	Lot        string   `arg:"" help:"Lot."`
	Results    []string `arg:"" help:"element=fineness in parts per thousand." placeholder:"Ag=147.60"`
	PacketSeal string   `required:"" help:"Seal of the packet as you read it."`
	Fee        string   `help:"Your fee, money."`
}

// Run records the umpire's results.
func (c *exchangeUmpireReport) Run(a *app) error {
	lot, err := a.ref(c.Lot)
	if err != nil {
		return err
	}
	results, err := resultsOf(c.Results)
	if err != nil {
		return err
	}
	return a.record(&pb.UmpireReported{Lot: lot, Results: results, PacketSeal: c.PacketSeal, Fee: c.Fee})
}

type exchangeShow struct {
	Lot string `arg:"" help:"Lot."`
}

// Run shows one row for each element, then the steps.
func (c *exchangeShow) Run(a *app) error {
	thing, err := a.get(pb.ThingKind_THING_KIND_LOT, c.Lot)
	if err != nil {
		return err
	}
	lot := thing.GetLot()
	t := table{columns: []string{"element", "state", "seller", "refiner", "umpire", "difference", "limit", "settled",
		"how"}}
	var messages []proto.Message
	for _, s := range lot.GetAssays() {
		t.add(s.GetElement(), strings.ReplaceAll(s.GetState(), "_", " "), s.GetSeller(), s.GetRefiner(),
			s.GetUmpire(), s.GetDifference(), s.GetLimit(), s.GetSettled(), s.GetWords())
		messages = append(messages, s)
	}
	if a.g.Output == "json" {
		return a.showList(messages)
	}
	if a.g.Output == "table" { // the words are long and stand under the table
		for i := range t.rows {
			t.rows[i] = t.rows[i][:len(t.columns)-1]
		}
		t.columns = t.columns[:len(t.columns)-1]
	}
	if err := a.showTable(t); err != nil || a.g.Output == "csv" {
		return err
	}
	for _, s := range lot.GetAssays() {
		say(a.out, "%s\n", printable(s.GetWords()))
	}
	for _, s := range lot.GetSteps() {
		say(a.out, "%6d  %-25s  %s\n", s.GetEntry(), s.GetOccurredAt(), printable(join(" ",
			strings.ReplaceAll(s.GetAction(), "_", " "), s.GetSide(),
			s.GetLaboratory(), with("round ", roundText(s.GetRound())), strings.Join(s.GetElements(), " "))))
	}
	return nil
}

func roundText(n int32) string {
	if n == 0 {
		return ""
	}
	return fmt.Sprint(n)
}

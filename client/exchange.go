package main

import (
	"fmt"
	"strings"
	"time"

	"google.golang.org/protobuf/proto"

	"barward/client/station"
	"barward/internal/assay"
	"barward/internal/refusal"
	pb "barward/proto/barward/v1"
)

type exchangeCmd struct {
	Commit        exchangeCommit        `cmd:"" help:"Seal your result before either side shows one. It is kept here until you reveal it." example:"barward exchange commit quillhaven/L-1 Au=812.30 Ag=148.05"`
	Reveal        exchangeReveal        `cmd:"" help:"Open the result that you sealed, once both sides have." example:"barward exchange reveal quillhaven/L-1"`
	UmpireAppoint exchangeUmpireAppoint `cmd:"" help:"Call the umpire laboratory whose turn it is." example:"barward exchange umpire-appoint L-1 --element Ag --laboratory greywether --packet-seal SN-802"`
	UmpireReport  exchangeUmpireReport  `cmd:"" help:"Report as umpire." example:"barward exchange umpire-report quillhaven/L-1 Ag=147.60 --packet-seal SN-802 --fee '640.00 USD'"`
	Silence       exchangeSilence       `cmd:"" help:"Declare that the other side let its day to report pass; the agreement says what that settles." example:"barward exchange silence quillhaven/L-1"`
	Watch         exchangeWatch         `cmd:"" help:"Wait for the other side, and open each sealed result as soon as both have committed." example:"barward exchange watch"`
	Show          exchangeShow          `cmd:"" help:"Where the exchange of a lot stands." example:"barward exchange show quillhaven/L-1"`
	List          listCmd               `cmd:"" help:"List lots in exchange." thing:"lot" example:"barward exchange list --filter 'state = \"IN_EXCHANGE\"'"`
	Preview       offlineCmd            `cmd:"" help:"What given results would settle, without a service. JSON in and out." offline:"exchange" example:"barward exchange preview --file figures.json"`
	UmpireAdvise  exchangeUmpireAdvise  `cmd:"" help:"Umpire or not: the chances, ounces and money of going on, for a lot on record or from figures alone. JSON in and out." computes:"umpire" example:"barward exchange umpire-advise --lot quillhaven/L-1 --element Ag --file labs.json"`
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
	results, err := resultsOf(c.Results)
	if err != nil {
		return err
	}
	seal := a.station.Seal
	if c.Again {
		seal = a.station.SealAgain
	}
	event, err := seal(a.ctx, lot, assay.Side(c.Side), c.Round, results)
	if err != nil {
		return err
	}
	say(a.complain,
		"The result is sealed in %s. Keep that file until it is revealed: without it the commitment is worth nothing.\n",
		a.station.SealedPath(lot, c.Round))
	return a.record(event)
}

type exchangeReveal struct {
	Lot   string `arg:"" help:"Lot."`
	Round int32  `help:"Round." default:"1"`
}

// Run reveals exactly what was sealed.
func (c *exchangeReveal) Run(a *app) error {
	if err := a.openBox(); err != nil {
		return err
	}
	event, err := a.station.Reveal(a.ctx, c.Lot, c.Round)
	if refusal.Is(err, "REVEALED_ALREADY") {
		say(a.complain, "%s\n", refusal.As(err).Text)
		return nil
	}
	if err != nil {
		return err
	}
	return a.record(event)
}

// revealDue opens the results that are sealed here and due. It ends every command that has to do with the exchange, and
// every sending, so that nobody loses a lot's silver by forgetting it. It speaks on the side: standard output is the
// command's own.
func (a *app) revealDue() error {
	if a.station == nil {
		return nil // the command computed from figures alone
	}
	refused := 0
	stopped := a.station.RevealDue(a.ctx, a.g.At, a.g.Place, func(to station.Answer) {
		if to.Err != nil {
			refused++
			say(a.complain, "REFUSED  %s: %s\n", kindIn(to.Item), station.Sentence(to.Err))
			return
		}
		event := &pb.Event{}
		if proto.Unmarshal(to.Item.Signed.Event, event) == nil && event.GetResultRevealed() != nil {
			say(a.complain, "Both sides are bound: our result of lot %s is open now, entry %d.\n",
				event.GetResultRevealed().GetLot(), to.Receipt.GetSequence())
		}
		for _, raised := range words(to.Receipt) {
			say(a.complain, "  ! %s\n", raised)
		}
	})
	if stopped == nil && refused == 0 {
		return nil
	}
	return a.standing(refused, stopped)
}

type exchangeWatch struct {
	Every time.Duration `help:"How often to look." default:"1m"`
}

// Run looks until nothing is sealed here any more, or somebody stops it.
func (c *exchangeWatch) Run(a *app) error {
	if err := a.openBox(); err != nil {
		return err
	}
	for down := false; ; {
		err := a.station.Flush(a.ctx, nil)
		if err == nil {
			err = a.revealDue()
		}
		switch {
		case a.ctx.Err() != nil:
			return nil
		case err != nil && !station.Unreachable(err):
			return err
		case err != nil && !down:
			say(a.complain, "… link down (%s); it is tried again\n", station.Sentence(err))
		}
		down = err != nil
		sealed, err := a.station.Sealed()
		if err != nil {
			return err
		}
		if len(sealed) == 0 {
			say(a.complain, "Nothing is sealed here any more.\n")
			return nil
		}
		select {
		case <-a.ctx.Done():
			return nil
		case <-time.After(max(c.Every, time.Second)):
		}
	}
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

package desk

import (
	"context"
	"encoding/json"
	"fmt"
	"net/url"
	"slices"
	"strconv"
	"strings"

	"google.golang.org/protobuf/proto"

	"barward/client/outbox"
	"barward/client/station"
	"barward/internal/assay"
	"barward/internal/identity"
	"barward/internal/refusal"
	"barward/internal/settlement"
	pb "barward/proto/barward/v1"
)

// officeForm is what the pages with a form show.
type officeForm struct {
	Form     *Form
	Lot      *pb.Lot
	Back     string
	Confirm  bool // what was typed is shown once more before it is signed
	Elements []elementLine
	Choices  map[string][]Option
	Words    []string
	Figures  []figureLine
	Due      string
	Other    string
	Again    bool // a file of an earlier try is there
	Round    int
	Price    string   // that advice rests on
	Currency string   // of the money in the advice
	Doubt    string   // why the advice is not to be relied on
	MayCall  bool     // the umpire
	Call     callLine // of the laboratory that sits here
}

// elementLine is one element of a form.
type elementLine struct {
	Symbol, Value, Note string
	Chosen              bool
}

// sealResult seals the result of our side before either shows one. It is shown once more before it is signed: nobody
// can mend a commitment.
func (v *visit) sealResult() error {
	lot, err := v.lotOf()
	if err != nil {
		return err
	}
	terms, _, known, err := v.termsOf(lot.GetAgreement())
	if err != nil {
		return err
	}
	x, reckoned := v.exchangeOf(lot, terms)
	if !known || !reckoned {
		return refusal.New(refusal.Precondition, "TERMS_UNKNOWN", "",
			"The terms of this lot are not open to this desk, so it is not known what a result must cover.")
	}
	f := v.form()
	p := officeForm{Form: f, Lot: lot, Back: pathTo("/office/lot/", lot.GetName()), Round: max(x.Round(), 1)}
	for _, e := range x.Elements {
		if slices.Contains(x.Expected(), e.Element) {
			p.Elements = append(p.Elements, elementLine{Symbol: string(e.Element),
				Value: f.Get("fineness_" + string(e.Element))})
			p.Due = dueWords(e.Due, v.d.now())
		}
	}
	if len(p.Elements) == 0 {
		return refusal.New(refusal.Precondition, "EXCHANGE_CLOSED", "",
			"No result of lot %s is awaited from the parties now. Go back to the lot to see what is.", lot.GetName())
	}
	if v.posted() {
		if done, err := v.sealPosted(f, &p); done || err != nil {
			return err
		}
	}
	return v.show("office_seal.html", "Seal a result", p)
}

func (v *visit) sealPosted(f *Form, p *officeForm) (done bool, err error) {
	lot := p.Lot.GetName()
	if _, again := v.signedBefore(f); again {
		v.say("done", "That result was sealed already; it is not sealed twice.")
		return true, v.redirect(p.Back)
	}
	var results []*pb.AssayResult
	for _, e := range p.Elements {
		field := "fineness_" + e.Symbol
		value := f.need(field, "Give the fineness of "+e.Symbol+" to its last zero.")
		if value == "" {
			continue
		}
		if !strings.ContainsAny(value, " %p") {
			value += " ppt"
		}
		if _, err := station.PureResults([]*pb.AssayResult{{Element: e.Symbol, Fineness: value}}); err != nil {
			f.Blame(field, capital(plainWords(err)))
		}
		results = append(results, &pb.AssayResult{Element: e.Symbol, Fineness: value})
	}
	if f.Good() {
		if _, err := station.PureResults(results); err != nil {
			f.Fault = capital(plainWords(err))
		}
	}
	if !f.Good() {
		v.status = 422
		return false, nil
	}
	if f.Get("confirmed") == "" {
		p.Confirm = true
		return false, nil
	}
	seal := v.d.station.Seal
	if f.Has("anew", "1") {
		if waits, err := v.d.commitmentWaits(lot); err != nil {
			return true, err
		} else if waits {
			f.Fault = "A result of this lot waits in the outbox to be sent, and what opens it lies here. " +
				"Wait until it was answered."
			v.status = 422
			return false, nil
		}
		seal = v.d.station.SealAgain
	}
	side := map[string]assay.Side{p.Lot.GetSeller(): assay.Seller, p.Lot.GetParty(): assay.Refiner}[v.seat.Party]
	ctx, cancel := context.WithTimeout(v.ctx(), askPatience)
	defer cancel()
	body, err := seal(ctx, lot, side, int32(p.Round), results)
	if err == nil {
		return v.signed(f, "The sealed result of "+lot, p.Back, body)
	}
	if refusal.Is(err, "RESULT_SEALED_ALREADY") {
		p.Again = true
		f.Fault = "A result of this lot is sealed at this workstation already. A commitment that is on record cannot be " +
			"changed. If the record refused it, tick the box below and seal anew; the earlier file is kept."
	} else if !f.refuse(err) {
		return true, err
	}
	v.status = 422
	return false, nil
}

// commitmentWaits reports whether a sealed result of a lot waits in the outbox.
func (d *Desk) commitmentWaits(lot string) (bool, error) {
	items, err := d.station.Outbox().Waiting(outbox.MaxPage)
	return slices.ContainsFunc(items, func(item outbox.Item) bool {
		return eventOf(item).GetResultCommitted().GetLot() == lot
	}), err
}

// figureLine is a figure with its name.
type figureLine struct{ Name, Value string }

// umpireAdvice shows what going on to the umpire is worth. It asks the service, which knows the lot; what is known of
// the laboratories is stated here, and none of it is guessed.
func (v *visit) umpireAdvice() error {
	lot, err := v.lotOf()
	if err != nil {
		return err
	}
	names := []string{"element", "seller_sigma", "seller_bias", "refiner_sigma", "refiner_bias", "umpire_sigma",
		"umpire_bias", "fee"}
	f := v.queryForm(names...)
	p := officeForm{Form: f, Lot: lot, Back: pathTo("/office/lot/", lot.GetName()), Choices: map[string][]Option{}}
	for _, a := range lot.GetAssays() {
		if a.GetState() == string(assay.StateUmpireDue) || a.GetState() == string(assay.StateUmpireAppointed) {
			p.Choices["element"] = append(p.Choices["element"], Option{Value: a.GetElement(),
				Text: fmt.Sprintf("%s: seller %s, refiner %s, limit %s ppt",
					a.GetElement(), a.GetSeller(), a.GetRefiner(), a.GetLimit())})
		}
	}
	if len(p.Choices["element"]) == 0 {
		return refusal.New(refusal.Precondition, "UMPIRE_NOT_DUE", "",
			"No element of lot %s waits for an umpire, so there is nothing to advise on.", lot.GetName())
	}
	p.MayCall = v.seat.May(identity.UmpireAppointed)
	if v.r.URL.Query().Get("ask") != "" {
		for _, name := range names {
			f.need(name, "State it; nothing is guessed.")
		}
		if f.Good() {
			if err := v.askAdvice(f, &p); err != nil && !f.refuse(advicePlace(err)) {
				return err
			}
		}
	}
	return v.show("office_advice.html", "Umpire or not", p)
}

// advicePlace names the input that a refusal of the advice is about.
func advicePlace(err error) error {
	r := station.AsRefusal(err)
	if r == nil {
		return err
	}
	at := *r
	field := strings.TrimPrefix(r.Field, "figures_json.")
	at.Field = strings.ReplaceAll(strings.Replace(field, "_lab.", "_", 1), ".", "_")
	return &at
}

func (v *visit) askAdvice(f *Form, p *officeForm) error {
	lab := func(side string) map[string]string {
		return map[string]string{"sigma": f.Get(side + "_sigma"), "bias": f.Get(side + "_bias")}
	}
	figures := asJSON(map[string]any{"seller_lab": lab("seller"), "refiner_lab": lab("refiner"),
		"umpire_lab": lab("umpire"), "fee": f.Get("fee")})
	settle, err := v.d.station.Settlement(v.ctx())
	if err != nil {
		return err
	}
	ctx, cancel := context.WithTimeout(v.ctx(), askPatience)
	defer cancel()
	answer, err := settle.AdviseUmpire(ctx, &pb.AdviseUmpireRequest{Lot: p.Lot.GetName(), Element: f.Get("element"),
		FiguresJson: figures})
	if err != nil {
		return err
	}
	p.Words = strings.Split(answer.GetWords(), "\n")
	var stated struct {
		Input struct {
			Price string `json:"price"`
		} `json:"input"`
		Advice struct {
			Currency string `json:"currency"`
		} `json:"advice"`
	}
	if json.Unmarshal([]byte(answer.GetDocumentJson()), &stated) == nil {
		p.Price, p.Currency = stated.Input.Price, stated.Advice.Currency
	}
	for _, a := range p.Lot.GetAssays() {
		if a.GetElement() != f.Get("element") {
			continue
		}
		if fits, err := station.PrecisionsFit(a.GetSeller(), a.GetRefiner(), f.Get("seller_sigma"), f.Get("seller_bias"),
			f.Get("refiner_sigma"), f.Get("refiner_bias")); err == nil && !fits {
			p.Doubt = "The two results differ by more than three times what the stated scatter and biases allow. The precisions " +
				"stated do not fit what was found: one result may be wrong, or a laboratory scatters more than is stated. " +
				"Do not rely on this advice before you know why."
		}
	}
	p.Figures, err = flatFigures(answer.GetDocumentJson())
	return err
}

// flatFigures lays a JSON document of figures out line by line, in the order in which it is written. What is advised is
// said in words already, and the terms stand in the agreement.
func flatFigures(document string) (lines []figureLine, err error) {
	d := json.NewDecoder(strings.NewReader(document))
	d.UseNumber()
	var walk func(name string) error
	walk = func(name string) error {
		token, err := d.Token()
		if err != nil {
			return err
		}
		delim, inner := token.(json.Delim)
		if !inner {
			value := fmt.Sprint(token)
			if number, isNumber := token.(json.Number); isNumber && strings.ContainsAny(value, ".eE") {
				if x, err := number.Float64(); err == nil {
					value = strconv.FormatFloat(x, 'g', 5, 64) // a forecast has no more digits than these
				}
			}
			if !strings.HasPrefix(name, "input terms") && !strings.HasPrefix(name, "advice words") && len(lines) < maxSources*4 {
				lines = append(lines, figureLine{strings.TrimPrefix(strings.TrimPrefix(name, "advice "), "input "), value})
			}
			return nil
		}
		for i := 1; d.More(); i++ {
			part := strconv.Itoa(i)
			if delim == '{' {
				key, err := d.Token()
				if err != nil {
					return err
				}
				part = strings.ReplaceAll(fmt.Sprint(key), "_", " ")
			}
			if err := walk(strings.TrimSpace(name + " " + part)); err != nil {
				return err
			}
		}
		_, err = d.Token()
		return err
	}
	if err := walk(""); err != nil {
		return nil, err
	}
	return lines, nil
}

// appointUmpire calls the laboratory whose turn it is.
func (v *visit) appointUmpire() error {
	lot, err := v.lotOf()
	if err != nil {
		return err
	}
	terms, agreement, known, err := v.termsOf(lot.GetAgreement())
	if err != nil {
		return err
	}
	f := v.form()
	p := officeForm{Form: f, Lot: lot, Back: pathTo("/office/lot/", lot.GetName()), Choices: map[string][]Option{}}
	for _, a := range lot.GetAssays() {
		if a.GetState() == string(assay.StateUmpireDue) || a.GetState() == string(assay.StateUmpireAppointed) {
			p.Elements = append(p.Elements, elementLine{Symbol: a.GetElement(), Chosen: !v.posted() || f.Has("elements",
				a.GetElement()),
				Note: fmt.Sprintf("seller %s, refiner %s, difference %s, limit %s ppt", a.GetSeller(), a.GetRefiner(),
					a.GetDifference(), a.GetLimit())})
		}
	}
	if len(p.Elements) == 0 {
		return refusal.New(refusal.Precondition, "UMPIRE_NOT_DUE", "", "No element of lot %s waits for an umpire.",
			lot.GetName())
	}
	if known {
		p.Choices["laboratory"] = panel(terms, p.Elements[0].Symbol, int(agreement.GetUmpiresCalled()))
	}
	if p.Choices["packet_seal"], err = v.packets(lot); err != nil {
		return err
	}
	if v.posted() {
		if len(f.Filled("elements")) == 0 {
			f.Fault = "Choose at least one element that is in dispute."
		}
		body := &pb.UmpireAppointed{Lot: lot.GetName(), Elements: f.Filled("elements"),
			Laboratory: f.need("laboratory", "Say which laboratory is called."),
			PacketSeal: f.need("packet_seal", "Give the seal of the packet that goes to it.")}
		if done, err := v.signed(f, "The call of "+body.GetLaboratory()+" as umpire of "+lot.GetName(), p.Back, body); done {
			return err
		}
	}
	return v.show("office_umpire.html", "Call the umpire", p)
}

// panel offers the laboratories of an element's panel, first the one whose turn it is.
func panel(terms settlement.Terms, element string, called int) (options []Option) {
	for _, m := range terms.Metals {
		if string(m.Element) != element {
			continue
		}
		next := assay.NextUmpire(m.Exchange.Panel, called)
		options = append(options, Option{Value: next, Text: next + ", whose turn it is"})
		for _, other := range m.Exchange.Panel {
			if other != next {
				options = append(options, Option{Value: other, Text: other})
			}
		}
	}
	return options
}

// packets offers the sealed packets of the lot's samples that may go to an umpire.
func (v *visit) packets(lot *pb.Lot) (options []Option, err error) {
	for _, name := range lot.GetSamples() {
		thing, _, err := v.get(pb.ThingKind_THING_KIND_SAMPLE, name)
		if err != nil {
			return nil, err
		}
		for _, packet := range thing.GetSample().GetTaken().GetPackets() {
			if packet.GetSeal() == "" {
				continue
			}
			holder := stateWords(packet.GetHolder().String(), "PACKET_HOLDER_")
			one := Option{Value: packet.GetSeal(), Text: fmt.Sprintf("%s (packet %s of sample %s, kept for: %s)",
				packet.GetSeal(), packet.GetPacketId(), name, holder)}
			if packet.GetHolder() == pb.PacketHolder_PACKET_HOLDER_UMPIRE {
				options = slices.Insert(options, 0, one)
			} else {
				options = append(options, one)
			}
		}
	}
	return options, nil
}

// declareSilence says what a declaration settles before it is signed.
func (v *visit) declareSilence() error {
	lot, err := v.lotOf()
	if err != nil {
		return err
	}
	terms, _, known, err := v.termsOf(lot.GetAgreement())
	if err != nil {
		return err
	}
	f := v.form()
	p := officeForm{Form: f, Lot: lot, Back: pathTo("/office/lot/", lot.GetName())}
	p.Other = lot.GetSeller()
	if v.seat.Party == p.Other {
		p.Other = lot.GetParty()
	}
	if x, reckoned := v.exchangeOf(lot, terms); known && reckoned {
		for _, e := range x.Elements {
			if e.State == assay.StateSettled {
				continue
			}
			for _, m := range terms.Metals {
				if m.Element == e.Element {
					p.Figures = append(p.Figures, figureLine{string(e.Element), joined("; ", dueWords(e.Due, v.d.now()),
						"by the agreement then: "+strings.ReplaceAll(string(m.Exchange.NoReportRule), "_", " "))})
				}
			}
		}
	}
	if v.posted() {
		if done, err := v.signed(f, "The silence of "+p.Other+" on "+lot.GetName(), p.Back,
			&pb.SilenceDeclared{Lot: lot.GetName()}); done {
			return err
		}
	}
	return v.show("office_silence.html", "Declare silence", p)
}

// agree countersigns an entry that the other side signed, exactly as its author signed it.
func (v *visit) agree() error {
	sequence, err := strconv.ParseUint(v.r.PathValue("entry"), 10, 64)
	if err != nil {
		return v.nowhere()
	}
	f := v.form()
	back := local(f.Get("back"))
	if !v.seat.May(identity.Countersigned) {
		return refusal.New(refusal.Forbidden, "ROLE_DOES_NOT_ALLOW", "", "Your roles do not allow you to countersign.")
	}
	entry, err := v.d.station.Entry(v.ctx(), sequence)
	if err != nil {
		return err
	}
	var body proto.Message
	if body, err = countersignature(entry); err != nil {
		return err
	}
	if issued := entry.GetEvent().GetStatementIssued(); issued != nil {
		if err := v.rightTree(issued.GetCheckpointSize(), issued.GetCheckpointRoot()); err != nil {
			return err
		}
	}
	body.(*pb.Countersigned).Note = f.Get("note")
	if err := v.sign(f, "Your countersignature of entry "+strconv.FormatUint(sequence, 10), body); err != nil {
		if !f.refuse(err) {
			return err
		}
		v.say("wrong", "The countersignature was refused: "+joined(" ", f.Fault, f.Wrong("note")))
	}
	return v.redirect(back)
}

// rightTree refuses to countersign a statement that rests on another log than this desk knows.
func (v *visit) rightTree(size uint64, root []byte) error {
	if size == 0 {
		return nil // it names none, and its page says so
	}
	err := v.d.station.HadTree(v.ctx(), size, root)
	if err == nil || station.Unreachable(err) || untrusted(err) {
		return err
	}
	return refusal.New(refusal.DataLoss, "STATEMENT_ON_OTHER_LOG", "",
		"This statement rests on a checkpoint of %d entries that the log, as this desk knows it, never had. Do not sign it. Keep both, and tell the other party and the operator.", size).Because(err)
}

// withQuery makes the address of a page with a query.
func withQuery(path string, pairs ...string) string {
	q := url.Values{}
	for i := 0; i+1 < len(pairs); i += 2 {
		if pairs[i+1] != "" {
			q.Set(pairs[i], pairs[i+1])
		}
	}
	if len(q) == 0 {
		return path
	}
	return path + "?" + q.Encode()
}

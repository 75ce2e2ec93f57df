package desk

import (
	"net/url"
	"slices"
	"strings"

	"github.com/google/uuid"

	"barward/client/outbox"
	"barward/client/station"
	"barward/internal/identity"
	"barward/internal/refusal"
	pb "barward/proto/barward/v1"
)

// signPour is the page on which the officer reads what they sign, and the witness signs beside them with their own
// passphrase.
func (v *visit) signPour() error {
	draft, err := v.myDraft()
	if err != nil {
		return err
	}
	record := "/goldroom/pours/" + draft.Party + "/" + url.PathEscape(draft.Number())
	if draft.Event != "" {
		return v.redirect(record)
	}
	sheet, err := v.sheet(draft)
	if err != nil {
		return err
	}
	if v.complete(sheet); !sheet.Form.Good() {
		return v.redirect("/goldroom/pour/" + draft.ID)
	}
	f := v.form()
	f.Once = draft.ID
	if v.posted() {
		err := v.signSheet(f, draft, sheet)
		if err == nil {
			return v.redirect(record)
		}
		if !f.refuse(err) {
			return err
		}
		v.status = 422
	}
	return v.show("pour_sign.html", "Read and sign", map[string]any{"Form": f, "Sheet": sheet, "Pour": sheet.body,
		"Witnesses": v.witnesses()})
}

// witnesses are the keys that a second person can sign with: those of our own people who work in the gold room, and
// those of which it is not known whose they are. Who signs alone says so: nobody is what no key press brings about.
func (v *visit) witnesses() []Option {
	return append(append([]Option{{Text: "Choose who was there"}}, v.secondKeys()...),
		Option{Value: nobody, Text: "Nobody now"})
}

func (v *visit) secondKeys() (options []Option) {
	for _, k := range v.d.keyFiles() {
		if k.ID != v.seat.File && (k.of.Party == "" || k.of.Party == v.seat.Party) && mayWitness(k.of.Roles) {
			text := k.Name
			if k.of.Party == "" {
				text += " (" + k.Note + ")"
			}
			options = append(options, Option{Value: k.ID, Text: text})
		}
	}
	return options
}

// mayWitness reports whether roles, apart by blanks, are those of somebody who is at a pour; unknown ones may be.
func mayWitness(roles string) bool {
	all := strings.Fields(roles)
	return len(all) == 0 || slices.Contains(all, string(identity.Witness)) ||
		slices.Contains(all, string(identity.GoldRoomOfficer))
}

// meHere stands for the key of who sits here, in the choice of a witness.
const meHere = "me"

// laterWitnesses are the keys with which a pour that was signed before can be witnessed: that of who sits here, too.
func (v *visit) laterWitnesses() []Option {
	return append([]Option{{Value: meHere, Text: v.seat.Name + " (you, no passphrase needed)"}}, v.secondKeys()...)
}

// witnessKey opens the witness's key, before anything is signed.
func (v *visit) witnessKey(f *Form) (*identity.Key, string, error) {
	switch f.Get("witness") {
	case "":
		return nil, "", refusal.Invalidf("WITNESS_NOT_CHOSEN", "witness",
			"Choose whose key the witness signs with, or say that nobody witnesses it now.")
	case nobody:
		return nil, "", nil
	}
	key, _, label, err := v.d.openKey(f.Get("witness"), v.r.PostForm.Get("witness_passphrase"))
	if err != nil {
		if refusal.Is(err, "KEY_PASSPHRASE_WRONG") {
			f.Blame("witness_passphrase", "It does not open the key of the witness. The witness types it again.")
		}
		return nil, "", err
	}
	if key.ID() == v.seat.key.ID() {
		return nil, "", refusal.Invalidf("WITNESS_SAME", "witness",
			"A witness is a second person. Choose their key, and let them type their passphrase.")
	}
	return &key, label, nil
}

// signSheet signs the pour, and the witness's countersignature of it. The draft remembers the event before the event
// exists, so that a crash in between cannot lead to a second one.
func (v *visit) signSheet(f *Form, draft pourDraft, sheet *pourSheet) error {
	witness, who, err := v.witnessKey(f)
	if err != nil {
		return err
	}
	words := "Pour " + draft.Number()
	items, err := v.signAll(f, words, signing{body: sheet.body, place: v.siteOf(sheet.body.GetBalance())})
	if err != nil {
		return err
	}
	v.d.used.ask()
	draft.Event = items[0].ID.String()
	if err := v.d.keepDraft(draft); err != nil {
		return err
	}
	if witness == nil {
		return nil
	}
	return v.witness(&Form{values: f.values, faults: f.faults, Once: uuid.NewSHA1(items[0].ID,
		[]byte("witness")).String()}, items[0], *witness, who, words)
}

// witness has a second person sign an event that is in the outbox or on record.
func (v *visit) witness(f *Form, item outbox.Item, key identity.Key, who, words string) error {
	body, err := countersignatureOf(item)
	if err != nil {
		return err
	}
	_, err = v.signAll(f, "The witness's signature of "+who+" under "+lowerFirst(words), signing{body: body, by: &key})
	if err != nil {
		v.say("wrong", words+" is signed, and the witness's signature was refused: "+capital(plainWords(err)))
	}
	return nil
}

func lowerFirst(text string) string {
	if text == "" {
		return ""
	}
	return strings.ToLower(text[:1]) + text[1:]
}

// pourView is a pour as the page shows it: from the record, or from the event that waits.
type pourView struct {
	Name, Number string
	Recorded     *pb.PourRecorded
	Pour         *pb.Pour // nil while it waits
	Weights      map[string]string
	Total        string
	Witnesses    []string
	By           []string // the witnesses' names
	Officer      string   // name of who poured; empty where it is not known
	WitnessWaits bool
	Waits        bool
	Refused      string
	Seen         Seen
	Form         *Form
	Keys         []Option
	At           string // in words
	at           string // RFC 3339
}

// cutName splits a name, party/number.
func cutName(name string) (party, number string, ok bool) {
	party, number, ok = strings.Cut(name, "/")
	return party, number, ok && party != "" && number != "" && !strings.Contains(number, "/")
}

// pourRecord shows a pour that was signed.
func (v *visit) pourRecord() error {
	p, err := v.pourSeen(v.r.PathValue("party"), v.r.PathValue("number"))
	if err != nil {
		return err
	}
	p.Form, p.Keys = v.form(), v.laterWitnesses()
	return v.show("pour_record.html", "Pour "+p.Number, p)
}

// pourSeen finds a pour on record, or among what waits here.
func (v *visit) pourSeen(party, number string) (*pourView, error) {
	p := &pourView{Name: party + "/" + number, Number: number, Weights: map[string]string{}}
	waiting, err := v.d.waitingEvents()
	if err != nil {
		return nil, err
	}
	for _, w := range waiting {
		if w.event.GetPourRecorded().GetPourId() == number && party == v.seat.Party {
			p.Recorded, p.Waits, p.at = w.event.GetPourRecorded(), true, w.event.GetOccurredAt()
			for _, c := range waiting {
				p.WitnessWaits = p.WitnessWaits || c.event.GetCountersigned().GetEventId() == w.event.GetEventId()
			}
		}
	}
	if !p.Waits {
		thing, seen, err := v.get(pb.ThingKind_THING_KIND_POUR, p.Name)
		if err != nil {
			return nil, err
		}
		p.Pour, p.Recorded, p.Seen = thing.GetPour(), thing.GetPour().GetRecorded(), seen
		p.Witnesses, p.Total, p.at = p.Pour.GetWitnesses(), p.Pour.GetTotal(), p.Pour.GetPouredAt()
		for _, c := range waiting {
			p.WitnessWaits = p.WitnessWaits || len(p.Witnesses) == 0 && c.event.GetCountersigned() != nil && v.isOf(c, p.Pour)
		}
	}
	if p.Waits {
		waits, _ := v.pourThatWaits(p)
		p.Total = waits.GetTotal()
	}
	p.At = instantWords(p.at)
	for _, w := range p.Witnesses {
		p.By = append(p.By, v.personName(w))
	}
	p.Officer = v.authorName(p.Pour)
	if b := v.balanceKnown(p.Recorded.GetBalance()); b != nil {
		for _, bar := range p.Recorded.GetBars() {
			weight, words := station.Judge(b, bar.GetReadings())
			if weight.Mass.IsZero() {
				continue
			}
			p.Weights[bar.GetMark()] = weight.Mass.String()
			if words != "" {
				p.Weights[bar.GetMark()] += " ✗ readings disagree"
			}
		}
	}
	return p, nil
}

// personName is how people write the name of a person, party/person; where it is not known, their short name.
func (v *visit) personName(name string) string {
	thing, _, err := v.get(pb.ThingKind_THING_KIND_PERSON, name)
	if err == nil && thing.GetPerson().GetDisplayName() != "" {
		return thing.GetPerson().GetDisplayName()
	}
	return shortName(v.seat.Party, name)
}

// authorName is who signed a pour on record, by its entry.
func (v *visit) authorName(pour *pb.Pour) string {
	if len(pour.GetEntries()) == 0 || !v.d.sender.now().Up {
		return ""
	}
	entry, err := v.d.station.Entry(v.ctx(), pour.GetEntries()[0])
	if err != nil || entry.GetAuthor() == "" {
		return ""
	}
	return v.personName(entry.GetAuthor())
}

// isOf reports whether a countersignature that waits is of a pour on record.
func (v *visit) isOf(w waitingEvent, pour *pb.Pour) bool {
	id, err := uuid.Parse(w.event.GetCountersigned().GetEventId())
	if err != nil {
		return false
	}
	item, found, err := v.d.find(id)
	return err == nil && found && eventOf(item).GetPourRecorded().GetPourId() == shortName(pour.GetParty(), pour.GetName())
}

// witnessPour has a witness sign a pour that was signed before.
func (v *visit) witnessPour() error {
	party, number := v.r.PathValue("party"), v.r.PathValue("number")
	p, err := v.pourSeen(party, number)
	if err != nil {
		return err
	}
	f := v.form()
	if f.need("witness", "Choose whose key it is.") != "" {
		err := v.witnessNow(f, p)
		if err == nil {
			return v.redirect("/goldroom/pours/" + party + "/" + url.PathEscape(number))
		}
		if !f.refuse(err) {
			return err
		}
	}
	v.status = 422
	p.Form, p.Keys = f, v.laterWitnesses()
	return v.show("pour_record.html", "Pour "+p.Number, p)
}

// witnessNow signs what is in the outbox here, or what the log has, after checking that.
func (v *visit) witnessNow(f *Form, p *pourView) error {
	key, who, err := &v.seat.key, v.seat.Name, error(nil)
	if f.Get("witness") != meHere {
		key, who, err = v.witnessKey(f)
	}
	if err == nil && key == nil {
		err = refusal.Invalidf("WITNESS_NOT_CHOSEN", "witness", "Choose whose key it is.")
	}
	if err != nil {
		return err
	}
	var body *pb.Countersigned
	if p.Waits {
		waiting, err := v.d.waitingEvents()
		if err != nil {
			return err
		}
		for _, w := range waiting {
			if w.event.GetPourRecorded().GetPourId() == p.Number {
				body, err = countersignatureOf(w.item)
				if err != nil {
					return err
				}
			}
		}
	}
	if body == nil {
		if len(p.Pour.GetEntries()) == 0 {
			return refusal.New(refusal.NotFound, "POUR_UNKNOWN", "", "Pour %s is not on record, and does not wait here.",
				p.Number)
		}
		entry, err := v.d.station.Entry(v.ctx(), p.Pour.GetEntries()[0])
		if err != nil {
			return err
		}
		if body, err = countersignature(entry); err != nil {
			return err
		}
	}
	_, err = v.signAll(f, "The witness's signature of "+who+" under pour "+p.Number, signing{body: body, by: key})
	return err
}

// pours lists the pours of the party, a page at a time.
func (v *visit) pours() error {
	token := v.r.URL.Query().Get("after")
	list, seen, err := v.page(pb.ThingKind_THING_KIND_POUR, filterOf("party", v.seat.Party), token, pageSize)
	if err != nil {
		return err
	}
	var pours []*pb.Pour
	people := map[string]string{}
	for _, thing := range list.GetThings() {
		pours = append(pours, thing.GetPour())
		for _, w := range thing.GetPour().GetWitnesses() {
			if people[w] == "" {
				people[w] = v.personName(w)
			}
		}
	}
	return v.show("pours.html", "Pours", map[string]any{"Pours": pours, "People": people, "Next": list.GetNextPageToken(),
		"First": token == "", "Seen": seen})
}

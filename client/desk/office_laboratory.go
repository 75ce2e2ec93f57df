package desk

import (
	"context"
	"slices"
	"strings"

	"google.golang.org/protobuf/proto"

	"barward/client/station"
	"barward/internal/quantity"
	"barward/internal/refusal"
	pb "barward/proto/barward/v1"
)

// An umpire's laboratory sees neither the lot nor what the parties found: the calls that are addressed to it are all
// that its page rests on.

// callLine is one call of this laboratory as umpire.
type callLine struct {
	Lot      string
	Elements []string // called for
	Open     []string // of these, not reported yet
	Seal     string
	At       string
	By       string // who called, as `party/person`
	Entry    uint64
}

// entriesOf reads all entries of a kind that are open to who sits here, each checked to be as its author signed it.
func (v *visit) entriesOf(kind string) (entries []*pb.Entry, seen Seen, err error) {
	for token := ""; ; {
		page := &pb.ListEntriesResponse{}
		at, err := v.recall("entries/"+kind+"/"+token, page, func(ctx context.Context) (proto.Message, error) {
			ledger, err := v.d.station.Ledger(ctx)
			if err != nil {
				return nil, err
			}
			return ledger.ListEntries(ctx, &pb.ListEntriesRequest{Kind: kind, PageToken: token, PageSize: station.MaxPage})
		})
		if err != nil {
			return nil, seen, err
		}
		if seen = at.older(seen); token == "" {
			seen = at
		}
		for _, e := range page.GetEntries() {
			if err := v.d.station.CheckEntry(e); err != nil {
				return nil, seen, err
			}
		}
		entries = append(entries, page.GetEntries()...)
		if token = page.GetNextPageToken(); token == "" || len(entries) > maxSorted {
			return entries, seen, nil
		}
	}
}

// called lists the calls of this laboratory, the latest first.
func (v *visit) called() (calls []callLine, seen Seen, err error) {
	appointed, seen, err := v.entriesOf("umpire_appointed")
	if err != nil {
		return nil, seen, err
	}
	reported, _, err := v.entriesOf("umpire_reported")
	if err != nil {
		return nil, seen, err
	}
	for _, e := range appointed {
		call := e.GetEvent().GetUmpireAppointed()
		if call.GetLaboratory() != v.seat.Party {
			continue
		}
		line := callLine{Lot: call.GetLot(), Elements: call.GetElements(), Open: slices.Clone(call.GetElements()),
			Seal: call.GetPacketSeal(),
			By:   e.GetAuthor(),
			At:   instantWords(e.GetEvent().GetOccurredAt()), Entry: e.GetSequence()}
		for _, r := range reported {
			report := r.GetEvent().GetUmpireReported()
			if report.GetLot() != call.GetLot() || r.GetSequence() < e.GetSequence() {
				continue
			}
			for _, result := range report.GetResults() {
				line.Open = slices.DeleteFunc(line.Open, func(element string) bool { return element == result.GetElement() })
			}
		}
		calls = append(calls, line)
	}
	slices.Reverse(calls)
	return calls, seen, nil
}

// calls is the laboratory's first page of the office.
func (v *visit) calls() error {
	calls, seen, err := v.called()
	if err != nil {
		return err
	}
	return v.show("office_calls.html", "Calls as umpire", map[string]any{"Calls": calls, "Seen": seen})
}

// umpireReport takes the report of the laboratory that was called.
func (v *visit) umpireReport() error {
	calls, _, err := v.called()
	if err != nil {
		return err
	}
	lot := v.r.PathValue("name")
	at := slices.IndexFunc(calls, func(c callLine) bool { return c.Lot == lot && len(c.Open) > 0 })
	if at < 0 {
		return refusal.New(refusal.Precondition, "UMPIRE_NOT_APPOINTED", "",
			"Your laboratory is not awaited as umpire of lot %s now.", lot)
	}
	f := v.form()
	p := officeForm{Form: f, Lot: &pb.Lot{Name: lot}, Back: "/office", Call: calls[at]}
	for _, element := range calls[at].Open {
		p.Elements = append(p.Elements, elementLine{Symbol: element, Value: f.Get("fineness_" + element)})
	}
	if v.posted() {
		body := &pb.UmpireReported{Lot: lot, PacketSeal: f.need("packet_seal",
			"Give the seal of the packet as you read it."), Fee: f.Get("fee")}
		for _, e := range p.Elements {
			field := "fineness_" + e.Symbol
			value := f.need(field, "Give the fineness of "+e.Symbol+" to its last zero.")
			if value != "" && !strings.ContainsAny(value, " %p") {
				value += " ppt"
			}
			one := &pb.AssayResult{Element: e.Symbol, Fineness: value}
			if _, err := station.PureResults([]*pb.AssayResult{one}); err != nil {
				f.Blame(field, capital(plainWords(err)))
			}
			body.Results = append(body.Results, one)
		}
		if fee := f.Get("fee"); fee != "" {
			if _, err := quantity.ParseMoney(fee); err != nil {
				f.Blame("fee", capital(plainWords(err)))
			}
		}
		if f.Good() && f.Get("confirmed") == "" {
			p.Confirm = true
		} else if done, err := v.signed(f, "The umpire's report on "+lot, "/office", body); done {
			return err
		}
	}
	return v.show("office_report.html", "Report as umpire", p)
}

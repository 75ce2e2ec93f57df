package desk

import (
	"cmp"
	"slices"
	"strconv"
	"strings"
	"time"

	"barward/client/station"
	"barward/internal/identity"
	pb "barward/proto/barward/v1"
)

// priceSeries is a series with its last price.
type priceSeries struct {
	S       *pb.PriceSeries
	Last    *pb.DailyPrice
	Ours    bool
	Publish string // address of the form for it; empty where it is another party's
}

type pricesPage struct {
	Form    *Form
	Rows    []priceSeries
	Seen    Seen
	MayDo   bool
	Who     string // who may, where the person may not
	Confirm bool   // what was typed is shown once more before it is signed
	Back    string
}

// prices lists the published prices, and publishes one of a day.
func (v *visit) prices() error {
	f := v.form()
	if !v.posted() {
		for _, name := range []string{"series", "currency", "date", "back"} {
			f.Set(name, v.r.URL.Query().Get(name))
		}
	}
	p := pricesPage{Form: f, MayDo: v.seat.May(identity.PricesPublished), Who: v.whoMay(identity.PricesPublished),
		Back: local(cmp.Or(f.Get("back"), "/office"))}
	if err := v.priceRows(&p); err != nil && (station.Unreachable(err) || !f.refuse(err)) {
		return err
	}
	for _, row := range p.Rows {
		if row.S.GetName() == f.Get("series") {
			f.Set("currency", row.S.GetCurrency())
		}
	}
	if v.posted() {
		body := &pb.PricesPublished{Series: f.need("series", "Name the series as the agreement does."),
			Currency: f.need("currency", "Give the currency, as USD."),
			Prices: []*pb.DailyPrice{{Date: f.need("date", "Give the day of the price."),
				Price: f.need("price", "Give the price of one troy ounce fine.")}}}
		switch {
		case !f.Good():
			v.status = 422
		case f.Get("confirmed") == "":
			p.Confirm = true
		default:
			words := "The price of " + body.GetSeries() + " on " + body.GetPrices()[0].GetDate()
			if done, err := v.signed(f, words, p.Back, body); done {
				return err
			}
		}
	}
	return v.show("office_prices.html", "Prices", p)
}

func (v *visit) priceRows(p *pricesPage) error {
	for token := ""; ; {
		list, seen, err := v.page(pb.ThingKind_THING_KIND_PRICE_SERIES, "", token, pageSize)
		if err != nil {
			return err
		}
		p.Seen = seen.older(p.Seen)
		for _, thing := range list.GetThings() {
			s := thing.GetPriceSeries()
			row := priceSeries{S: s, Ours: s.GetParty() == v.seat.Party}
			if n := len(s.GetPrices()); n > 0 {
				row.Last = s.GetPrices()[n-1]
			}
			if row.Ours && p.MayDo {
				row.Publish = withQuery("/office/prices", "series", s.GetName(), "currency", s.GetCurrency())
			}
			p.Rows = append(p.Rows, row)
		}
		if token = list.GetNextPageToken(); token == "" || len(p.Rows) >= maxSources {
			return nil
		}
	}
}

// missingPrice is what a statement waits for in the way of prices.
type missingPrice struct {
	Series, Date string
	Owner        string // party to which the series belongs; empty where nobody has published any
	Text         string
	NotYet       bool   // the day has not come
	Path         string // where it is published; empty where not by who sits here
}

// priceMissing says of a refusal what price is missing and who publishes it; nil where that is not why.
func (v *visit) priceMissing(err error, back string) *missingPrice {
	r := station.AsRefusal(err)
	if r == nil || r.Reason != "PRICE_MISSING" && r.Reason != "SERIES_MISSING" {
		return nil
	}
	m := &missingPrice{Series: r.Values["series"], Date: r.Values["date"]}
	if m.Series == "" {
		return nil
	}
	if thing, _, err := v.get(pb.ThingKind_THING_KIND_PRICE_SERIES, m.Series); err == nil {
		m.Owner = thing.GetPriceSeries().GetParty()
	}
	who := "the commercial manager of either party"
	if m.Owner != "" {
		who = "the commercial manager of " + v.you([]string{m.Owner}, "")
	}
	m.say(v.today(), who)
	if !m.NotYet && v.seat.May(identity.PricesPublished) && (m.Owner == "" || m.Owner == v.seat.Party) {
		m.Path = withQuery("/office/prices", "series", m.Series, "date", m.Date, "back", back)
	}
	return m
}

// say puts it into words, on a day.
func (m *missingPrice) say(today, who string) {
	m.NotYet = m.Date > today
	what := "The price of " + joined(" on ", m.Series, dateWords(m.Date))
	if m.NotYet {
		m.Text = what + " is needed, and that day has not come yet. When it has, " + who + " publishes it."
	} else {
		m.Text = what + " is not published yet. To be published by " + who + "."
	}
}

// awaitsPrice asks whether the final statement of a lot could be computed today, and returns the price that it waits
// for; nil where none is missing or the service cannot be asked now.
func (v *visit) awaitsPrice(lot *pb.Lot) *missingPrice {
	state := v.d.sender.now()
	if lot.GetState() != pb.LotState_LOT_STATE_ASSAYS_SETTLED || state.Known && !state.Up {
		return nil
	}
	_, err := v.previewed(lot.GetName(), "FINAL", v.today())
	if err == nil {
		return nil
	}
	return v.priceMissing(err, pathTo("/office/lot/", lot.GetName()))
}

// withPrices says of the task to issue a statement that a price must come first.
func (v *visit) withPrices(lines []taskLine, tasks []station.Task, lot *pb.Lot) []taskLine {
	at := slices.IndexFunc(tasks, func(t station.Task) bool { return t.What == "state" })
	if at < 0 {
		return lines
	}
	m := v.awaitsPrice(lot)
	if m == nil {
		return lines
	}
	l := &lines[at]
	if m.NotYet {
		l.What, l.Ours = "Wait for the price of "+m.Series+" on "+dateWords(m.Date)+", then issue the final statement", false
		l.When = "that day has not come yet"
	} else {
		l.What, l.When = "Publish the price of "+joined(" on ", m.Series, dateWords(m.Date))+
			", then issue the final statement", "it is not published yet"
		if m.Owner != "" {
			l.By, l.Ours = v.you([]string{m.Owner}, ""), m.Owner == v.seat.Party
		}
	}
	l.Hint = ""
	if l.Path != "" {
		l.More = &paperLink{l.Path, l.Link}
	}
	l.Path, l.Link = m.Path, "Publish the price"
	return lines
}

// whoMay names the roles of our party that may record an event, in words.
func (v *visit) whoMay(event identity.EventKind) string {
	var words []string
	for _, role := range identity.Roles {
		if identity.May(v.seat.Kind, role, event) {
			words = append(words, strings.ReplaceAll(string(role), "_", " "))
		}
	}
	return strings.Join(words, " or ")
}

// grouped sets the digits before the point of an amount apart by threes, as SI has it (SI Brochure, 5.4.4), with a
// narrow space that does not break; for reading, not for copying.
func grouped(amount string) string {
	decimal, unit, _ := strings.Cut(amount, " ")
	whole, rest, point := strings.Cut(decimal, ".")
	sign := ""
	if strings.HasPrefix(whole, "-") || strings.HasPrefix(whole, "+") {
		sign, whole = whole[:1], whole[1:]
	}
	for at := len(whole) - 3; at > 0; at -= 3 {
		whole = whole[:at] + "\u202f" + whole[at:]
	}
	if point {
		rest = "." + rest
	}
	return joined(" ", sign+whole+rest, unit)
}

// perWords joins a quantity to its rate: × only where an amount follows that is their product.
func perWords(amount, rate string) string {
	if amount != "" && !strings.Contains(rate, "percent") {
		return "×"
	}
	return "at"
}

// dateWords writes a date (2026-03-02) as people do; what is none stays as it is.
func dateWords(text string) string {
	t, err := time.Parse(time.DateOnly, text)
	if err != nil {
		return text
	}
	return strconv.Itoa(t.Day()) + t.Format(" January 2006")
}

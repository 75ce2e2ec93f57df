package main

import (
	"time"

	"barward/internal/refusal"
	"barward/internal/settlement"
	pb "barward/proto/barward/v1"
)

type partyCmd struct {
	Register partyRegister `cmd:"" help:"Register a party and its sites." example:"barward party register ottermere --name 'Ottermere Gold' --kind mine --site 'plant:3900:Plant'"`
	Change   partyChange   `cmd:"" help:"Say what a party is called and where it works from now on." example:"barward party change ottermere --site 'plant-2:3710:New plant'"`
	Grant    partyGrant    `cmd:"" help:"Let a party of auditors read what you may read, for a time." example:"barward party grant G-1 --auditor ledgerwick --sort custody --sort money --from 2026-03-02T00:00:00Z --until 2026-04-02T00:00:00Z --purpose 'audit of the first quarter'"`
	Withdraw partyWithdraw `cmd:"" help:"Take leave to read back." example:"barward party withdraw G-1 --reason 'the audit is done'"`
	Grants   listCmd       `cmd:"" help:"List who was given leave to read." thing:"grant" example:"barward party grants"`
	List     listCmd       `cmd:"" help:"List parties." example:"barward party list"`
	Show     showCmd       `cmd:"" help:"Show a party." example:"barward party show ottermere"`
}

type partyRegister struct {
	ID   string   `arg:"" help:"Lower-case letters, digits and hyphens."`
	Name string   `required:"" help:"Name as people write it."`
	Kind string   `required:"" help:"operator, mine, carrier, refinery, laboratory, vault or auditor."`
	Site []string `sep:"none" help:"site:elevation in metres:name; repeat for more." placeholder:"SITE:M:NAME"`
}

// Run records the registration.
func (c *partyRegister) Run(a *app) error {
	kind, err := choose(pb.PartyKind_value, "PARTY_KIND_", c.Kind, "--kind")
	if err != nil {
		return err
	}
	sites, err := sitesOf(c.Site)
	if err != nil {
		return err
	}
	return a.record(&pb.PartyRegistered{PartyId: c.ID, DisplayName: c.Name, Kind: pb.PartyKind(kind), Sites: sites})
}

func sitesOf(texts []string) (sites []*pb.Site, err error) {
	for _, text := range texts {
		parts, err := split(text, 3, "site:elevation in metres:name")
		if err != nil {
			return nil, refusal.In(err, "--site")
		}
		sites = append(sites, &pb.Site{SiteId: parts[0], ElevationM: parts[1], DisplayName: parts[2]})
	}
	return sites, nil
}

type partyChange struct {
	ID   string   `arg:"" help:"Party."`
	Name string   `help:"Name as people write it; not given where it stays."`
	Site []string `sep:"none" help:"site:elevation in metres:name, new or written anew; repeat for more." placeholder:"SITE:M:NAME"`
}

// Run records the change.
func (c *partyChange) Run(a *app) error {
	sites, err := sitesOf(c.Site)
	if err != nil {
		return err
	}
	return a.record(&pb.PartyChanged{PartyId: c.ID, DisplayName: c.Name, Sites: sites})
}

type partyGrant struct {
	Number      string   `arg:"" help:"Number of the grant."`
	Auditor     string   `required:"" help:"Party of the auditors."`
	Sort        []string `required:"" help:"custody, assays or money; repeat for more."`
	Consignment []string `help:"Consignments they may read of; not given: all that you may read."`
	From        string   `required:"" help:"First instant, RFC 3339 with zone." placeholder:"TIME"`
	Until       string   `required:"" help:"Last instant, RFC 3339 with zone." placeholder:"TIME"`
	Purpose     string   `required:"" help:"What for."`
}

// Run records the grant.
func (c *partyGrant) Run(a *app) error {
	event := &pb.AccessGranted{GrantId: c.Number, Auditor: c.Auditor, From: c.From, Until: c.Until, Purpose: c.Purpose}
	for _, word := range c.Sort {
		sort, err := choose(pb.InformationSort_value, "INFORMATION_SORT_", word, "--sort")
		if err != nil {
			return err
		}
		event.Sorts = append(event.Sorts, pb.InformationSort(sort))
	}
	for flag, text := range map[string]string{"--from": c.From, "--until": c.Until} {
		if err := checkInstant(text, flag); err != nil {
			return err
		}
	}
	var err error
	if event.Consignments, err = a.refs(c.Consignment); err != nil {
		return err
	}
	return a.record(event)
}

type partyWithdraw struct {
	Number string `arg:"" help:"Number of the grant."`
	Reason string `required:"" help:"Why."`
}

// Run records that it is taken back.
func (c *partyWithdraw) Run(a *app) error {
	grant, err := a.ref(c.Number)
	if err != nil {
		return err
	}
	return a.record(&pb.AccessWithdrawn{Grant: grant, Reason: c.Reason})
}

type balanceCmd struct {
	Register balanceRegister `cmd:"" help:"Register a balance by the terms of OIML R 76." example:"barward balance register B1 --site plant --class II --capacity '32000 g' --readability '0.1 g' --interval '1 g' --repeatability '0.2 g' --check-every 1"`
	Check    balanceCheck    `cmd:"" help:"Record what a balance showed for known weights." computes:"balance_check" example:"barward balance check B1 --point '20 kg:F1:20000.1 g'"`
	Assess   offlineCmd      `cmd:"" help:"Judge a check from figures alone: OIML R 76 permitted errors, R 111 weights. JSON in and out." offline:"balance_check" example:"barward balance assess --file check.json"`
	Status   balanceStatus   `cmd:"" help:"Whether a balance is in date, now or --at, and what hangs on its next check." computes:"balance_status" example:"barward balance status B1"`
	List     listCmd         `cmd:"" help:"List balances." example:"barward balance list"`
	Show     showCmd         `cmd:"" help:"Show a balance with its checks." example:"barward balance show B1"`
}

type balanceRegister struct {
	Number        string `arg:"" help:"Number of the balance."`
	Site          string `required:"" help:"Where it stands."`
	Class         string `required:"" help:"Accuracy class: I, II, III or IIII."`
	Capacity      string `required:"" help:"Largest load, a mass."`
	Readability   string `required:"" help:"Smallest step it shows (d), a mass."`
	Interval      string `required:"" help:"Verification scale interval (e), a mass."`
	Repeatability string `required:"" help:"Largest spread of readings that is accepted, a mass."`
	CheckEvery    int32  `required:"" help:"Days for which a check counts."`
	adjustedFlags `embed:""`
}

// adjustedFlags are where and when a balance was last adjusted to a weight, both or neither.
type adjustedFlags struct {
	AdjustedOn string `help:"Date of the last adjustment to a weight." placeholder:"DATE"`
	AdjustedAt string `help:"Site where that was, as site or party/site." placeholder:"SITE"`
}

// Run records the registration.
func (c *balanceRegister) Run(a *app) error {
	site, err := a.ref(c.Site)
	if err != nil {
		return err
	}
	adjusted, err := a.ref(c.AdjustedAt)
	if err != nil {
		return err
	}
	return a.record(&pb.BalanceRegistered{AdjustedOn: c.AdjustedOn, AdjustedAt: adjusted, BalanceId: c.Number, Site: site, AccuracyClass: c.Class, Capacity: c.Capacity,
		Readability: c.Readability, VerificationInterval: c.Interval, Repeatability: c.Repeatability, CheckEveryDays: c.CheckEvery})
}

type balanceCheck struct {
	Number string   `arg:"" help:"Number of the balance."`
	Point  []string `sep:"none" required:"" help:"nominal mass:class of the weight:what was shown; repeat for more." placeholder:"MASS:CLASS:MASS"`

	adjustedFlags `embed:""`
}

// Run records the check.
func (c *balanceCheck) Run(a *app) error {
	balance, err := a.ref(c.Number)
	if err != nil {
		return err
	}
	event := &pb.BalanceChecked{Balance: balance, AdjustedOn: c.AdjustedOn}
	if event.AdjustedAt, err = a.ref(c.AdjustedAt); err != nil {
		return err
	}
	for _, text := range c.Point {
		parts, err := split(text, 3, "nominal mass:class:observed mass")
		if err != nil {
			return refusal.In(err, "--point")
		}
		event.Points = append(event.Points, &pb.CheckPoint{Nominal: parts[0], WeightClass: parts[1], Observed: parts[2]})
	}
	return a.record(event)
}

type balanceStatus struct {
	Number string `arg:"" help:"Number of the balance."`
}

// Run asks where the balance stands and what was weighed on it since its last good check.
func (c *balanceStatus) Run(a *app) error {
	if err := a.open(); err != nil {
		return err
	}
	name, err := a.ref(c.Number)
	if err != nil {
		return err
	}
	at := a.g.At
	if at == "" {
		at = a.now().Format(time.RFC3339)
	}
	ctx, cancel := a.call()
	defer cancel()
	status, err := a.book.GetBalanceStatus(ctx, &pb.GetBalanceStatusRequest{Balance: name, At: at})
	if err != nil {
		return err
	}
	return a.showBalanceStatus(name, status)
}

type agreementCmd struct {
	Sign        agreementSign  `cmd:"" help:"Sign terms. They bind when the other party countersigns." example:"barward agreement sign A-7 --file terms.json"`
	Check       agreementCheck `cmd:"" help:"Check a file of terms, without a service: what is missing, what fights." example:"barward agreement check --file terms.json"`
	Countersign countersignCmd `cmd:"" help:"Agree to the terms that the other party signed." thing:"agreement" example:"barward agreement countersign quillhaven/A-7"`
	List        listCmd        `cmd:"" help:"List agreements." example:"barward agreement list"`
	Show        showCmd        `cmd:"" help:"Show the terms." example:"barward agreement show A-7"`
}

type agreementSign struct {
	Number string `arg:"" help:"Number of the agreement."`
	File   string `required:"" help:"The terms, JSON." type:"path"`
}

// Run checks the terms where they are, then records the signature.
func (c *agreementSign) Run(a *app) error {
	text, err := a.input(c.File)
	if err != nil {
		return err
	}
	if _, err := a.checkTerms(text); err != nil {
		return err
	}
	return a.record(&pb.AgreementSigned{AgreementId: c.Number, TermsJson: string(text)})
}

type agreementCheck struct {
	File string `required:"" help:"The terms, JSON." type:"path"`
}

// Run needs no service.
func (c *agreementCheck) Run(a *app) error {
	text, err := a.input(c.File)
	if err != nil {
		return err
	}
	terms, err := a.checkTerms(text)
	if err != nil {
		return err
	}
	if a.g.Output == "json" {
		return a.showValue(terms)
	}
	for _, line := range terms.Words() {
		say(a.out, "  %s\n", printable(line))
	}
	say(a.out, "✓ agreement %s version %d between %s and %s: no term is missing\n", terms.ID, terms.Version,
		terms.Seller, terms.Refiner)
	return nil
}

// checkTerms reads terms, refuses what may not be signed, and says which terms fight each other.
func (a *app) checkTerms(text []byte) (settlement.Terms, error) {
	terms, err := settlement.ParseTerms(text)
	if err != nil {
		return terms, err
	}
	if err := terms.Check(); err != nil {
		return terms, err
	}
	for _, w := range terms.Warnings() {
		say(a.complain, "! %s: %s\n", w.Field, w.Text)
	}
	return terms, nil
}

type priceCmd struct {
	Publish   pricePublish  `cmd:"" help:"Publish daily prices from a CSV file with the columns date, price (for one troy ounce fine)." example:"barward price publish 'Gold PM (invented)' --currency USD --file prices.csv"`
	Holidays  priceHolidays `cmd:"" help:"Publish holidays from a CSV file with the column date." example:"barward price holidays 'Invented City' --file holidays.csv"`
	List      listCmd       `cmd:"" help:"List price series." thing:"price_series" example:"barward price list"`
	Show      showCmd       `cmd:"" help:"Show the prices of a series." thing:"price_series" example:"barward price show 'Gold PM (invented)'"`
	Calendars listCmd       `cmd:"" help:"List holiday calendars." thing:"holiday_calendar" example:"barward price calendars"`
	Calendar  showCmd       `cmd:"" help:"Show a holiday calendar." thing:"holiday_calendar" example:"barward price calendar 'Invented City'"`
}

type pricePublish struct {
	Series   string `arg:"" help:"Name of the series."`
	Currency string `required:"" help:"ISO 4217 code."`
	File     string `required:"" help:"CSV: date, price." type:"path"`
}

// Run reads all rows, then publishes them.
func (c *pricePublish) Run(a *app) error {
	rows, err := a.readRows(c.File, []string{"date", "price"}, nil)
	if err != nil {
		return err
	}
	event := &pb.PricesPublished{Series: c.Series, Currency: c.Currency}
	for _, r := range rows {
		if err := checkDate(r.cells["date"]); err != nil {
			return r.wrong("date", err)
		}
		if err := checkPositive(r.cells["price"]); err != nil {
			return r.wrong("price", err)
		}
		event.Prices = append(event.Prices, &pb.DailyPrice{Date: r.cells["date"], Price: r.cells["price"]})
	}
	return a.record(event)
}

type priceHolidays struct {
	Calendar string `arg:"" help:"Name of the calendar."`
	File     string `required:"" help:"CSV: date." type:"path"`
}

// Run reads all rows, then publishes them.
func (c *priceHolidays) Run(a *app) error {
	rows, err := a.readRows(c.File, []string{"date"}, []string{"name"})
	if err != nil {
		return err
	}
	event := &pb.HolidaysPublished{Calendar: c.Calendar}
	for _, r := range rows {
		if err := checkDate(r.cells["date"]); err != nil {
			return r.wrong("date", err)
		}
		event.Dates = append(event.Dates, r.cells["date"])
	}
	return a.record(event)
}

package book

import (
	"fmt"
	"slices"
	"sort"
	"time"

	"barward/internal/identity"
	"barward/internal/quantity"
	"barward/internal/refusal"
	"barward/internal/settlement"
	pb "barward/proto/barward/v1"
)

var partyKinds = map[pb.PartyKind]identity.PartyKind{
	pb.PartyKind_PARTY_KIND_OPERATOR: identity.Operator, pb.PartyKind_PARTY_KIND_MINE: identity.Mine,
	pb.PartyKind_PARTY_KIND_CARRIER: identity.Carrier, pb.PartyKind_PARTY_KIND_REFINERY: identity.Refinery,
	pb.PartyKind_PARTY_KIND_LABORATORY: identity.Laboratory, pb.PartyKind_PARTY_KIND_VAULT: identity.Vault,
	pb.PartyKind_PARTY_KIND_AUDITOR: identity.Auditors,
}

var roles = map[pb.Role]identity.Role{
	pb.Role_ROLE_ADMINISTRATOR: identity.Administrator, pb.Role_ROLE_GOLD_ROOM_OFFICER: identity.GoldRoomOfficer,
	pb.Role_ROLE_WITNESS: identity.Witness, pb.Role_ROLE_CUSTODIAN: identity.Custodian,
	pb.Role_ROLE_RECEIVING_CLERK: identity.ReceivingClerk, pb.Role_ROLE_ASSAYER: identity.Assayer,
	pb.Role_ROLE_COMMERCIAL_MANAGER: identity.CommercialManager, pb.Role_ROLE_AUDITOR: identity.Auditor,
}

func (f *fold) partyRegistered(e *pb.PartyRegistered) error {
	if err := slug("party_id", e.PartyId); err != nil {
		return err
	}
	if err := text("display_name", e.DisplayName, maxName, true); err != nil {
		return err
	}
	if _, ok := partyKinds[e.Kind]; !ok {
		return refusal.Invalidf("PARTY_KIND_MISSING", "kind", "a party has no kind; state operator, mine, carrier, refinery, laboratory, vault or auditor")
	}
	if err := sites(e.Sites); err != nil {
		return err
	}
	if err := parties.free(&f.store, "party_id", e.PartyId); err != nil {
		return err
	}
	parties.create(&f.store, &pb.Party{Name: e.PartyId, DisplayName: e.DisplayName, Kind: e.Kind, Sites: e.Sites, Entries: []uint64{f.entry.Seq}})
	f.about(parties, e.PartyId)
	return nil
}

// sites checks places as they are to be registered.
func sites(list []*pb.Site) error {
	if err := count("sites", len(list), 0, maxSites); err != nil {
		return err
	}
	seen := map[string]bool{}
	for i, site := range list {
		at := fmt.Sprintf("sites[%d]", i)
		if err := slug(at+".site_id", site.SiteId); err != nil {
			return err
		}
		if seen[site.SiteId] {
			return refusal.Invalidf("SITE_REPEATED", at+".site_id", "site %q is given twice; name each once", site.SiteId)
		}
		seen[site.SiteId] = true
		if err := text(at+".display_name", site.DisplayName, maxName, true); err != nil {
			return err
		}
		elevation, err := quantity.ParseDecimal(site.ElevationM)
		if err != nil {
			return refusal.In(err, at+".elevation_m")
		}
		if elevation.Cmp(quantity.NewDecimal(-500)) < 0 || elevation.Cmp(quantity.NewDecimal(6000)) > 0 {
			return refusal.Invalidf("ELEVATION_OUT_OF_RANGE", at+".elevation_m", "%s m is outside -500 to 6000 m", site.ElevationM)
		}
	}
	return nil
}

// partyChanged says what a party is called and where it works from now on. No site is taken away, because weighings refer
// to it; what was weighed before keeps the air that was reckoned for it.
func (f *fold) partyChanged(e *pb.PartyChanged) error {
	party, ok := parties.load(&f.store, e.PartyId)
	if !ok || party.Name != f.who.PartyID && f.who.PartyKind != identity.Operator {
		return refusal.New(refusal.Forbidden, "NOT_YOUR_PARTY", "party_id", "%q is not your party; its own administrator changes it, or the operator's", clip(e.PartyId)).About(clip(e.PartyId))
	}
	if err := text("display_name", e.DisplayName, maxName, false); err != nil {
		return err
	}
	if e.DisplayName == "" && len(e.Sites) == 0 {
		return refusal.Invalidf("NOTHING_CHANGED", "display_name", "the change names neither a name nor a site; give what is new")
	}
	if err := sites(e.Sites); err != nil {
		return err
	}
	party, _ = parties.change(&f.store, e.PartyId)
	if e.DisplayName != "" {
		party.DisplayName = e.DisplayName
	}
	kept := slices.Clone(party.Sites)
	for _, site := range e.Sites {
		at := slices.IndexFunc(kept, func(s *pb.Site) bool { return s.SiteId == site.SiteId })
		if at < 0 {
			kept = append(kept, site)
		} else {
			kept[at] = site
		}
	}
	if err := count("sites", len(kept), 0, maxSites); err != nil {
		return err
	}
	party.Sites, party.Entries = kept, append(party.Entries, f.entry.Seq)
	f.about(parties, party.Name)
	return nil
}

// site finds a site by `party/site`.
func (f *fold) site(field, name string) (*pb.Site, error) {
	for i := 0; i < len(name); i++ {
		if name[i] != '/' {
			continue
		}
		party, ok := parties.load(&f.store, name[:i])
		if !ok {
			break
		}
		for _, site := range party.Sites {
			if site.SiteId == name[i+1:] {
				return site, nil
			}
		}
	}
	return nil, refusal.New(refusal.NotFound, "SITE_UNKNOWN", field, "no site %q is on record; write it as party/site, and have the site registered first", clip(name)).With("name", clip(name))
}

func (f *fold) personEnrolled(e *pb.PersonEnrolled) error {
	if err := slug("person_id", e.PersonId); err != nil {
		return err
	}
	if err := text("display_name", e.DisplayName, maxName, true); err != nil {
		return err
	}
	party, ok := parties.load(&f.store, e.PartyId)
	if !ok {
		return unknown("party_id", "party", e.PartyId)
	}
	if err := count("roles", len(e.Roles), 1, len(roles)); err != nil {
		return err
	}
	administrator := false
	for i, role := range e.Roles {
		if _, ok := roles[role]; !ok {
			return refusal.Invalidf("ROLE_UNKNOWN", fmt.Sprintf("roles[%d]", i), "a role is missing or not known")
		}
		administrator = administrator || role == pb.Role_ROLE_ADMINISTRATOR
	}
	name := e.PartyId + "/" + e.PersonId
	if f.who.PartyID != e.PartyId {
		_, enrolled := f.find("administrator", e.PartyId)
		if f.who.PartyKind != identity.Operator || !administrator || enrolled {
			return refusal.New(refusal.Forbidden, "NOT_YOUR_PARTY", "party_id", "persons of %s are enrolled by its own administrator; the operator enrols the first administrator only", e.PartyId).About(name)
		}
	}
	if err := persons.free(&f.store, "person_id", name); err != nil {
		return err
	}
	if err := f.freeKey("public_key", e.PublicKey); err != nil {
		return err
	}
	if administrator {
		f.set("administrator", e.PartyId, name)
	}
	person := &pb.Person{Name: name, Party: party.Name, DisplayName: e.DisplayName, Roles: e.Roles, Entries: []uint64{f.entry.Seq}}
	f.begin(person, e.PublicKey)
	persons.create(&f.store, person)
	f.about(persons, name)
	return nil
}

func (f *fold) agreementSigned(e *pb.AgreementSigned) error {
	name, err := f.own("agreement_id", e.AgreementId)
	if err != nil {
		return err
	}
	if len(e.TermsJson) > maxDocument {
		return refusal.Invalidf("DOCUMENT_TOO_LARGE", "terms_json", "terms of %d bytes are larger than the %d allowed", len(e.TermsJson), maxDocument)
	}
	terms, err := settlement.ParseTerms([]byte(e.TermsJson))
	if err == nil {
		err = terms.Check()
	}
	if err != nil {
		return refusal.In(err, "terms_json")
	}
	for _, side := range []struct {
		field, party string
		kind         pb.PartyKind
	}{{"seller", terms.Seller, pb.PartyKind_PARTY_KIND_MINE}, {"refiner", terms.Refiner, pb.PartyKind_PARTY_KIND_REFINERY}} {
		party, ok := parties.load(&f.store, side.party)
		if !ok || party.Kind != side.kind {
			return refusal.Invalidf("PARTY_NOT_FIT", "terms_json."+side.field, "%q is not registered as a party of the kind this needs; a mine sells and a refinery refines", clip(side.party))
		}
	}
	if f.who.PartyID != terms.Seller && f.who.PartyID != terms.Refiner {
		return refusal.New(refusal.Forbidden, "NOT_YOUR_AGREEMENT", "terms_json", "an agreement between %s and %s is signed by one of them", terms.Seller, terms.Refiner)
	}
	if err := agreements.free(&f.store, "agreement_id", name); err != nil {
		return err
	}
	if _, err := f.follows(terms); err != nil {
		return err
	}
	agreement := &pb.Agreement{Name: name, Seller: terms.Seller, Refiner: terms.Refiner, TermsJson: e.TermsJson, TermsId: terms.ID, Version: int32(terms.Version),
		Entries: []uint64{f.entry.Seq}, Parties: []string{terms.Seller, terms.Refiner}}
	for _, w := range terms.Warnings() {
		agreement.Warnings = append(agreement.Warnings, w.Text)
	}
	agreements.create(&f.store, agreement)
	f.about(agreements, name)
	return nil
}

// termsOf reads the terms of an agreement; they were checked when it was signed. Each weighing asks for them, so what was
// read last is kept: the text decides what it says, and nobody changes what is handed out.
func termsOf(a *pb.Agreement) (settlement.Terms, error) {
	return readTerms.of(a.TermsJson, func() (settlement.Terms, error) { return settlement.ParseTerms([]byte(a.TermsJson)) })
}

var readTerms memo[settlement.Terms]

// inForce returns an agreement that both parties have signed.
func (f *fold) inForce(field, name string) (*pb.Agreement, settlement.Terms, error) {
	agreement, err := need(f, agreements, field, name)
	if err != nil {
		return nil, settlement.Terms{}, err
	}
	if !agreement.InForce {
		return nil, settlement.Terms{}, refusal.New(refusal.Precondition, "AGREEMENT_NOT_IN_FORCE", field, "agreement %s has been signed by one party only; have the other countersign entry %d first", name, agreement.Entries[0]).About(name)
	}
	terms, err := termsOf(agreement)
	return agreement, terms, err
}

func (f *fold) pricesPublished(e *pb.PricesPublished) error {
	if err := text("series", e.Series, 64, true); err != nil {
		return err
	}
	if err := quantity.Currency(e.Currency).Check(); err != nil {
		return refusal.In(err, "currency")
	}
	if err := count("prices", len(e.Prices), 1, maxPrices); err != nil {
		return err
	}
	last := ""
	for i, p := range e.Prices {
		at := fmt.Sprintf("prices[%d]", i)
		if _, err := day(at+".date", p.Date); err != nil {
			return err
		}
		if p.Date <= last {
			return refusal.Invalidf("DATES_OUT_OF_ORDER", at+".date", "%s does not come after %s; give each date once, in order", p.Date, last)
		}
		last = p.Date
		price, err := quantity.ParseDecimal(p.Price)
		if err != nil {
			return refusal.In(err, at+".price")
		}
		if price.Sign() <= 0 {
			return refusal.Invalidf("PRICE_NOT_POSITIVE", at+".price", "a price of %s is not possible; it must be more than zero", p.Price)
		}
	}
	// A day begins at UTC+14 first of all. What has not come there cannot have been published anywhere.
	if today := f.entry.RecordedAt.Add(14 * time.Hour).Format(time.DateOnly); f.entry.Rules >= 2 && last > today {
		f.remark(fmt.Sprintf("%s has not come anywhere on earth (it is %s at the latest); see that this is a price, and of that day", last, today))
	}
	s, ok := series.change(&f.store, e.Series)
	if !ok {
		s = &pb.PriceSeries{Name: e.Series, Currency: e.Currency, Party: f.who.PartyID}
		series.create(&f.store, s)
	}
	if err := f.publishedBy("series", e.Series, s.Party); err != nil {
		return err
	}
	if s.Currency != e.Currency {
		return refusal.Invalidf("CURRENCY_MIXED", "currency", "series %q is in %s; publish %s under another name", e.Series, s.Currency, e.Currency)
	}
	for i, p := range e.Prices {
		at := sort.Search(len(s.Prices), func(n int) bool { return s.Prices[n].Date >= p.Date })
		if at < len(s.Prices) && s.Prices[at].Date == p.Date {
			if s.Prices[at].Price == p.Price {
				continue
			}
			return refusal.New(refusal.Exists, "PRICE_IN_USE", fmt.Sprintf("prices[%d]", i), "series %q has %s on %s already (entry %d); a published price is not changed, so publish a corrected series under another name",
				e.Series, s.Prices[at].Price, p.Date, s.PriceEntries[at])
		}
		s.Prices = append(s.Prices[:at], append([]*pb.DailyPrice{p}, s.Prices[at:]...)...)
		s.PriceEntries = append(s.PriceEntries[:at], append([]uint64{f.entry.Seq}, s.PriceEntries[at:]...)...)
	}
	f.about(series, e.Series)
	return nil
}

// publishedBy refuses to add to a series or calendar of another party: figures that settle money would otherwise be
// anybody's to fill in.
func (f *fold) publishedBy(field, name, party string) error {
	if party == f.who.PartyID || f.entry.Rules < 2 {
		return nil
	}
	return refusal.New(refusal.Forbidden, "NOT_YOUR_SERIES", field, "%q was published first by %s, who alone adds to it; publish yours under another name", name, party).With("party", party)
}

func (f *fold) holidaysPublished(e *pb.HolidaysPublished) error {
	if err := text("calendar", e.Calendar, 64, true); err != nil {
		return err
	}
	if err := count("dates", len(e.Dates), 1, maxPrices); err != nil {
		return err
	}
	for i, d := range e.Dates {
		if _, err := day(fmt.Sprintf("dates[%d]", i), d); err != nil {
			return err
		}
	}
	c, ok := calendars.change(&f.store, e.Calendar)
	if !ok {
		c = &pb.HolidayCalendar{Name: e.Calendar, Party: f.who.PartyID}
		calendars.create(&f.store, c)
	}
	if err := f.publishedBy("calendar", e.Calendar, c.Party); err != nil {
		return err
	}
	c.Dates = join(c.Dates, e.Dates...)
	sort.Strings(c.Dates)
	c.Entries = append(c.Entries, f.entry.Seq)
	f.about(calendars, e.Calendar)
	return nil
}

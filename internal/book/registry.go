package book

import (
	"fmt"
	"sort"
	"sync"
	"sync/atomic"
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
	if err := count("sites", len(e.Sites), 0, maxSites); err != nil {
		return err
	}
	seen := map[string]bool{}
	for i, site := range e.Sites {
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
	if err := parties.free(&f.store, "party_id", e.PartyId); err != nil {
		return err
	}
	parties.create(&f.store, &pb.Party{Name: e.PartyId, DisplayName: e.DisplayName, Kind: e.Kind, Sites: e.Sites, Entries: []uint64{f.entry.Seq}})
	f.about(parties, e.PartyId)
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
	if len(e.PublicKey) != 32 {
		return refusal.Invalidf("KEY_MALFORMED", "public_key", "a public key of %d bytes is given; an Ed25519 key has 32", len(e.PublicKey))
	}
	if _, err := identity.ParseKeyID(string(identity.KeyIDOf(e.PublicKey))); err != nil {
		return refusal.In(err, "public_key")
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
	if holder, taken := f.find("key", string(e.PublicKey)); taken {
		return refusal.New(refusal.Exists, "KEY_IN_USE", "public_key", "this key belongs to %s; a key belongs to one person for ever, so make a new one", holder)
	}
	if administrator {
		f.set("administrator", e.PartyId, name)
	}
	f.set("key", string(e.PublicKey), name)
	persons.create(&f.store, &pb.Person{Name: name, Party: party.Name, DisplayName: e.DisplayName, PublicKey: e.PublicKey, Roles: e.Roles, Entries: []uint64{f.entry.Seq}})
	f.about(persons, name)
	return nil
}

func (f *fold) keyRevoked(e *pb.KeyRevoked) error {
	if err := text("reason", e.Reason, maxText, true); err != nil {
		return err
	}
	name, ok := f.find("key", string(e.PublicKey))
	person, known := persons.change(&f.store, name)
	if !ok || !known || person.Party != f.who.PartyID && f.who.PartyKind != identity.Operator {
		return refusal.New(refusal.NotFound, "KEY_UNKNOWN_HERE", "public_key", "this key belongs to nobody of your party; look at the list of persons")
	}
	if person.RevokedAt != "" {
		return refusal.New(refusal.Precondition, "KEY_REVOKED_ALREADY", "public_key", "this key was revoked on %s", person.RevokedAt).About(name)
	}
	person.RevokedAt = f.entry.RecordedAt.Format(time.RFC3339)
	person.Entries = append(person.Entries, f.entry.Seq)
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
	if known, ok := readTerms.Load(a.TermsJson); ok {
		return known.(settlement.Terms), nil
	}
	terms, err := settlement.ParseTerms([]byte(a.TermsJson))
	if err != nil {
		return terms, err
	}
	if readCount.Add(1) > maxReadTerms {
		readTerms.Clear()
		readCount.Store(0)
	}
	readTerms.Store(a.TermsJson, terms)
	return terms, nil
}

var (
	readTerms sync.Map // text of the terms → settlement.Terms
	readCount atomic.Int64
)

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
	s, ok := series.change(&f.store, e.Series)
	if !ok {
		s = &pb.PriceSeries{Name: e.Series, Currency: e.Currency}
		series.create(&f.store, s)
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
		c = &pb.HolidayCalendar{Name: e.Calendar}
		calendars.create(&f.store, c)
	}
	c.Dates = join(c.Dates, e.Dates...)
	sort.Strings(c.Dates)
	c.Entries = append(c.Entries, f.entry.Seq)
	f.about(calendars, e.Calendar)
	return nil
}

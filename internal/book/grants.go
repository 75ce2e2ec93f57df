package book

import (
	"fmt"
	"slices"
	"strings"
	"time"

	"barward/internal/identity"
	"barward/internal/ledger"
	"barward/internal/refusal"
	pb "barward/proto/barward/v1"
)

// A party of auditors reads what others grant, while the grant lasts. A grant gives no more than its grantor may read
// itself, never a result that is sealed still, and ends at its time by the service's clock, or when it is withdrawn.

var grantSorts = map[pb.InformationSort]identity.What{
	pb.InformationSort_INFORMATION_SORT_CUSTODY: identity.Custody,
	pb.InformationSort_INFORMATION_SORT_ASSAYS:  identity.Assays,
	pb.InformationSort_INFORMATION_SORT_MONEY:   identity.Money,
}

func (f *fold) accessGranted(e *pb.AccessGranted) error {
	name, err := f.own("grant_id", e.GrantId)
	if err != nil {
		return err
	}
	if err := grants.free(&f.store, "grant_id", name); err != nil {
		return err
	}
	auditor, ok := parties.load(&f.store, e.Auditor)
	if !ok || auditor.Kind != pb.PartyKind_PARTY_KIND_AUDITOR {
		return unknown("auditor", "party of auditors", e.Auditor)
	}
	if err := count("sorts", len(e.Sorts), 1, len(grantSorts)); err != nil {
		return err
	}
	for i, sort := range e.Sorts {
		if _, ok := grantSorts[sort]; !ok || slices.Contains(e.Sorts[:i], sort) {
			return refusal.Invalidf("SORT_NOT_FIT", fmt.Sprintf("sorts[%d]", i), "a sort of information is missing, unknown or given twice; choose of custody, assays and money, each once")
		}
	}
	if err := count("consignments", len(e.Consignments), 0, maxGranted); err != nil {
		return err
	}
	for i, c := range e.Consignments {
		if _, err := need(f, consignments, fmt.Sprintf("consignments[%d]", i), c); err != nil {
			return err
		}
	}
	from, err := instant("from", e.From)
	if err != nil {
		return err
	}
	until, err := instant("until", e.Until)
	if err != nil {
		return err
	}
	if !until.After(from) || until.After(from.AddDate(maxGrantYears, 0, 0)) {
		return refusal.Invalidf("GRANT_TIME", "until", "a grant ends after it begins, and by %d years after; %s to %s is not such a time", maxGrantYears, e.From, e.Until)
	}
	if err := text("purpose", e.Purpose, maxText, true); err != nil {
		return err
	}
	grants.create(&f.store, &pb.Grant{Name: name, Party: f.who.PartyID, Auditor: auditor.Name, Granted: e, Entries: []uint64{f.entry.Seq}, Parties: []string{f.who.PartyID, auditor.Name}})
	standing, _ := f.find("grants", auditor.Name)
	list := append(strings.Fields(standing), name)
	if err := count("grants", len(list), 1, maxGrants); err != nil {
		return err
	}
	f.set("grants", auditor.Name, strings.Join(list, " "))
	f.about(grants, name)
	return nil
}

func (f *fold) accessWithdrawn(e *pb.AccessWithdrawn) error {
	grant, err := alter(f, grants, "grant", e.Grant)
	if err != nil {
		return err
	}
	if grant.Party != f.who.PartyID {
		return refusal.New(refusal.Forbidden, "NOT_YOUR_GRANT", "grant", "grant %s was given by %s, who alone takes it back", grant.Name, grant.Party).About(grant.Name)
	}
	if err := text("reason", e.Reason, maxText, false); err != nil {
		return err
	}
	if grant.WithdrawnAt != "" {
		return refusal.New(refusal.Precondition, "GRANT_WITHDRAWN", "grant", "grant %s was taken back on %s already", grant.Name, grant.WithdrawnAt).About(grant.Name)
	}
	grant.WithdrawnAt = f.recorded()
	grant.Entries = append(grant.Entries, f.entry.Seq)
	standing, _ := f.find("grants", grant.Auditor)
	f.set("grants", grant.Auditor, strings.Join(slices.DeleteFunc(strings.Fields(standing), func(s string) bool { return s == grant.Name }), " "))
	f.about(grants, grant.Name)
	return nil
}

// CallerAt returns the person whose key this is, as CallerOf does, with what others let them read at an instant.
func CallerAt(pages *ledger.Book, key []byte, now time.Time) (identity.Caller, error) {
	caller, err := CallerOf(pages, key)
	if err != nil || caller.PartyKind != identity.Auditors {
		return caller, err
	}
	s := &store{pages: pages}
	standing, _ := s.find("grants", caller.PartyID)
	for _, name := range strings.Fields(standing) {
		grant, ok := grants.load(s, name)
		if !ok || grant.WithdrawnAt != "" {
			continue
		}
		from, err := instant("from", grant.Granted.From)
		if err != nil {
			return identity.Caller{}, err
		}
		until, err := instant("until", grant.Granted.Until)
		if err != nil {
			return identity.Caller{}, err
		}
		if now.Before(from) || !now.Before(until) {
			continue
		}
		reach := identity.Reach{Grantor: grant.Party, Consignments: grant.Granted.Consignments}
		for _, sort := range grant.Granted.Sorts {
			reach.Whats = append(reach.Whats, grantSorts[sort])
		}
		caller.Reach = append(caller.Reach, reach)
	}
	return caller, nil
}

// granted reports whether a grant in its time covers a sort of information about a thing.
func (s *store) granted(caller identity.Caller, what identity.What, value thing) bool {
	for _, r := range caller.Reach {
		if !r.Grants(what) {
			continue
		}
		c, limited := value.(concerned)
		if !limited {
			return true // nobody's in particular, such as prices
		}
		if slices.Contains(c.GetParties(), r.Grantor) && (len(r.Consignments) == 0 || s.travels(value, r.Consignments)) {
			return true
		}
	}
	return false
}

// travels reports whether all of a thing belongs to one of some consignments.
func (s *store) travels(value thing, among []string) bool {
	in := func(consignment string) bool { return slices.Contains(among, consignment) }
	switch v := value.(type) {
	case *pb.Consignment:
		return in(v.Name)
	case *pb.Bar:
		return in(v.Consignment)
	case *pb.Box:
		return in(v.Consignment)
	case *pb.Lot:
		return in(v.Consignment)
	case *pb.Pour:
		return s.allTravel(v.Bars, among)
	case *pb.Sample:
		if lot, ok := lots.load(s, v.Taken.Source); ok {
			return in(lot.Consignment)
		}
		return s.allTravel(s.barsOf(v.Taken.Source), among)
	case *pb.Statement:
		lot, ok := lots.load(s, v.Lot)
		return ok && in(lot.Consignment)
	case *pb.Return:
		lot, ok := lots.load(s, v.Lot)
		return ok && in(lot.Consignment)
	case *pb.Discrepancy:
		if lot, ok := lots.load(s, v.Lot); ok && v.Consignment == "" {
			return in(lot.Consignment)
		}
		return in(v.Consignment)
	case *pb.Agreement:
		for _, name := range among {
			if c, ok := consignments.load(s, name); ok && c.Advised.Agreement == v.Name {
				return true
			}
		}
	case *pb.Correction:
		if note, ok := notes.load(s, v.Corrects); ok {
			title, name := subjectOf(note)
			if t := byTitle[title]; t != nil {
				if about, ok := t.get(s, name); ok {
					return s.travels(about, among)
				}
			}
		}
	}
	return false
}

func (s *store) allTravel(names, among []string) bool {
	for _, name := range names {
		if bar, ok := bars.load(s, name); !ok || !slices.Contains(among, bar.Consignment) {
			return false
		}
	}
	return len(names) > 0
}

package book

import (
	"strconv"

	"barward/internal/refusal"
	"barward/internal/settlement"
	pb "barward/proto/barward/v1"
)

// An agreement is amended by signing its next version: the same terms id between the same two parties, the version one
// higher, under a number of its own. It replaces the one before when the second party countersigns it, and only then.
//
// Metal that was advised under a version is settled under it: nobody can move the terms of metal that is on its way, and
// a lot keeps the version it was opened under. New consignments are advised under the version in force.

// family is the key under which the versions of one agreement are found.
func family(seller, refiner, id string) string { return seller + "\x00" + refiner + "\x00" + id }

// follows refuses a version that is not the next one of its agreement, and returns the version before, if there is one.
// The first version on record may have any number: what came before it was on paper.
func (f *fold) follows(terms settlement.Terms) (*pb.Agreement, error) {
	name, ok := f.find("terms", family(terms.Seller, terms.Refiner, terms.ID))
	if !ok {
		return nil, nil
	}
	before, ok := agreements.load(&f.store, name)
	if !ok {
		return nil, unknown("terms_json.id", "agreement", name)
	}
	if next := before.Version + 1; int32(terms.Version) != next {
		return nil, refusal.New(refusal.Precondition, "VERSION_NOT_NEXT", "terms_json.version",
			"version %d of terms %q is in force as agreement %s, so the next one is version %d and not %d; number it so, or give other terms another id",
			before.Version, clip(terms.ID), before.Name, next, terms.Version).
			About(before.Name).With("in_force", strconv.Itoa(int(before.Version))).With("next", strconv.Itoa(int(next)))
	}
	return before, nil
}

// enterIntoForce makes an agreement binding that its second party has just countersigned. A version that was overtaken
// meanwhile cannot enter into force any more.
func (f *fold) enterIntoForce(a *pb.Agreement) error {
	terms, err := termsOf(a)
	if err != nil {
		return err
	}
	before, err := f.follows(terms)
	if err != nil {
		return refusal.In(err, "event_id")
	}
	if before != nil {
		before, _ = agreements.change(&f.store, before.Name)
		before.SupersededBy, a.Supersedes, a.UmpiresCalled = a.Name, before.Name, before.UmpiresCalled
		before.Entries = append(before.Entries, f.entry.Seq)
	}
	a.InForce = true
	a.Entries = append(a.Entries, f.entry.Seq)
	f.set("terms", family(a.Seller, a.Refiner, a.TermsId), a.Name)
	return nil
}

// umpireCalled counts one more umpire drawn under an agreement. All versions share the count, so that the panel's turn
// goes on from one version to the next and for lots under either.
func (f *fold) umpireCalled(a *pb.Agreement) {
	for a.Supersedes != "" {
		before, ok := agreements.load(&f.store, a.Supersedes)
		if !ok {
			break
		}
		a = before
	}
	for {
		a, _ = agreements.change(&f.store, a.Name)
		a.UmpiresCalled++
		next, ok := agreements.load(&f.store, a.SupersededBy)
		if !ok {
			return
		}
		a = next
	}
}

// current refuses an agreement that a later version has replaced.
func current(field string, a *pb.Agreement) error {
	if a.SupersededBy == "" {
		return nil
	}
	return refusal.New(refusal.Precondition, "AGREEMENT_SUPERSEDED", field,
		"agreement %s is version %d, and a later version is in force as %s; advise new metal under that", a.Name, a.Version, a.SupersededBy).
		About(a.Name).With("superseded_by", a.SupersededBy)
}

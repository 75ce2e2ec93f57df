package custody

import (
	"fmt"
	"slices"
	"strconv"
	"strings"
	"time"
)

// fold is one step being taken.
type fold struct {
	state    State
	step     Step
	findings []Finding
	moves    []change
}

// find adds a finding about the step.
func (f *fold) find(kind FindingKind, other, format string, args ...any) *Finding {
	f.findings = append(f.findings, Finding{Kind: kind, Party: f.step.Party, Other: other, At: f.step.At, Ref: f.step.Ref,
		Text: fmt.Sprintf(format, args...)})
	return &f.findings[len(f.findings)-1]
}

// begin makes the first party on record the holder, and finds a later one that is not.
func (f *fold) begin() {
	if f.state.Holder == "" {
		f.move(f.step.Party, f.step.At, f.step.Ref)
		f.settle()
		return
	}
	if f.step.Party == f.state.Holder {
		return
	}
	if r := f.state.Release; r != nil && r.To == f.step.Party {
		f.find(ActedByNonHolder, f.state.Holder, "%s recorded %q without having accepted it; on record %s holds it and has released it to %s.",
			f.step.Party, f.step.Kind, f.state.Holder, r.To)
		return
	}
	f.find(ActedByNonHolder, f.state.Holder, "%s recorded %q, but on record %s holds it.", f.step.Party, f.step.Kind, f.state.Holder)
}

// move changes the holder.
func (f *fold) move(holder string, at time.Time, ref string) {
	f.state.Holder, f.state.Since, f.state.Release = holder, at, nil
	f.moves = append(f.moves, change{holder, at, ref, slices.Clone(f.state.Seals)})
}

// release opens a hand-off, or waits.
func (f *fold) release() {
	s := f.step
	switch {
	case f.state.Holder == "":
		// The first record of a chain may be a release: nothing on record speaks against it.
		f.move(s.Party, s.At, s.Ref)
	case s.Party != f.state.Holder:
		f.find(ReleasedByNonHolder, f.state.Holder, "%s released it to %s, but on record %s holds it.", s.Party, s.Counterparty, f.state.Holder)
		f.wait()
		return
	}
	f.again()
	f.open(s)
	f.settle()
}

func (f *fold) open(s Step) {
	f.state.Release = &Release{From: s.Party, To: s.Counterparty, At: s.At, Deadline: s.Deadline, Ref: s.Ref}
}

// accept moves the holder, or waits.
func (f *fold) accept() {
	s, r := f.step, f.state.Release
	switch {
	case f.state.Holder == "":
		f.find(CustodyGap, s.Counterparty, "%s accepted it from %s, but nothing on record says that %s held it.", s.Party, s.Counterparty, s.Counterparty)
		f.move(s.Party, s.At, s.Ref)
		f.settle()
	case f.fits(s):
		f.complete(s)
		f.settle()
	case s.Counterparty == f.state.Holder && r == nil:
		f.find(CustodyOverlap, f.state.Holder, "%s says it accepted it from %s, which on record holds it and has not released it.", s.Party, s.Counterparty)
		f.wait()
	case s.Counterparty == f.state.Holder:
		f.find(CustodyOverlap, r.To, "%s says it accepted it from %s, which on record has released it to %s.", s.Party, s.Counterparty, r.To)
		f.wait()
	case s.Party == f.state.Holder:
		f.find(AcceptedAgain, s.Counterparty, "%s says it accepted it from %s, but on record it holds it already since %s.",
			s.Party, s.Counterparty, stamp(f.state.Since))
	default:
		f.find(CustodyGap, f.state.Holder, "%s says it accepted it from %s, but on record %s holds it: how it came to %s is not recorded.",
			s.Party, s.Counterparty, f.state.Holder, s.Counterparty)
		f.wait()
	}
}

// fits reports whether an acceptance answers the open release.
func (f *fold) fits(s Step) bool {
	r := f.state.Release
	return r != nil && r.To == s.Party && r.From == s.Counterparty
}

// complete moves the holder by an acceptance that fits.
func (f *fold) complete(s Step) {
	r := f.state.Release
	if s.At.Before(r.At) {
		f.find(CustodyOverlap, r.From, "%s says it held it from %s on, but %s says it released it only at %s.", s.Party, stamp(s.At), r.From, stamp(r.At))
	}
	if !r.Deadline.IsZero() && s.At.After(r.Deadline) {
		late := f.find(AcceptedLate, r.From, "%s accepted it at %s, after the deadline of %s.", s.Party, stamp(s.At), stamp(r.Deadline))
		late.Expected, late.Found = []string{stamp(r.Deadline)}, []string{stamp(s.At)}
	}
	f.move(s.Party, s.At, s.Ref)
}

// wait keeps a hand-off record that does not fit yet; when the record before it arrives late, as from a site without a
// link, it takes effect. Beyond the bound the oldest no longer waits; its finding stands.
func (f *fold) wait() {
	s := f.step // its seals and count have had their say; what moves the holder stays
	f.state.Waiting = append(f.state.Waiting, Step{Kind: s.Kind, Party: s.Party, Counterparty: s.Counterparty, At: s.At, Deadline: s.Deadline, Ref: s.Ref})
	if n := len(f.state.Waiting); n > maxWaiting {
		f.state.Waiting = slices.Clone(f.state.Waiting[n-maxWaiting:])
	}
}

// settle lets what waited take effect where it fits now, until nothing more fits: acceptances first, since two records
// agree on them, then releases by the holder, a later one in place of an earlier.
func (f *fold) settle() {
	for {
		i := slices.IndexFunc(f.state.Waiting, func(s Step) bool { return s.Kind == Accepted && f.fits(s) })
		if i < 0 {
			i = slices.IndexFunc(f.state.Waiting, f.opens)
		}
		if i < 0 {
			return
		}
		current := f.step
		f.step = f.state.Waiting[i] // what is found now is about the record that waited
		if f.state.Waiting = slices.Delete(f.state.Waiting, i, i+1); len(f.state.Waiting) == 0 {
			f.state.Waiting = nil
		}
		if f.step.Kind == Accepted {
			f.complete(f.step)
		} else {
			f.again()
			f.open(f.step)
		}
		f.step = current
	}
}

// opens reports whether a release that waited is the holder's, from its own time and after any that is open.
func (f *fold) opens(s Step) bool {
	return s.Kind == Released && s.Party == f.state.Holder && !s.At.Before(f.state.Since) &&
		(f.state.Release == nil || s.At.After(f.state.Release.At))
}

// again finds a release while another is open.
func (f *fold) again() {
	if r := f.state.Release; r != nil {
		f.find(ReleasedAgain, r.To, "%s released it to %s while its release to %s of %s is not accepted; the later record counts.",
			f.step.Party, f.step.Counterparty, r.To, stamp(r.At))
	}
}

// read compares the seals that the step read with those on record, which then become the ones read.
func (f *fold) read() {
	f.broken()
	found := union(f.step.Seals, f.step.Broken)
	missing, unknown := CompareSeals(f.state.Seals, found)
	f.mismatch(missing, unknown, found)
	f.retire(missing)
	f.state.Seals = found
}

// stated is read for a step that need not read the seals.
func (f *fold) stated() {
	if len(f.step.Seals) == 0 {
		f.broken()
		return
	}
	f.read()
}

func (f *fold) broken() {
	if len(f.step.Broken) == 0 {
		return
	}
	b := f.find(SealBroken, f.state.Holder, "%s found broken: %s.", f.step.Party, strings.Join(f.step.Broken, ", "))
	b.Found = slices.Clone(f.step.Broken)
}

func (f *fold) mismatch(missing, unknown, found []string) {
	kind, text := FindingKind(""), ""
	switch {
	case len(missing) > 0 && len(unknown) > 0:
		kind, text = SealMismatched, fmt.Sprintf("%s found %s in place of %s.", f.step.Party, strings.Join(unknown, ", "), strings.Join(missing, ", "))
	case len(missing) > 0:
		kind, text = SealMissing, fmt.Sprintf("%s did not find %s.", f.step.Party, strings.Join(missing, ", "))
	case len(unknown) > 0:
		kind, text = SealUnknown, fmt.Sprintf("%s found %s, which on record is not on it.", f.step.Party, strings.Join(unknown, ", "))
	default:
		return
	}
	m := f.find(kind, f.state.Holder, "%s", text)
	m.Expected, m.Found = slices.Clone(f.state.Seals), slices.Clone(found)
}

// putOn puts seals on in place of old ones; a number that has been used before is found.
func (f *fold) putOn(seals, old []string) {
	var used []string
	for _, seal := range normal(seals) {
		if slices.Contains(f.state.Retired, seal) || slices.Contains(f.state.Seals, seal) {
			used = append(used, seal)
		}
	}
	if len(used) > 0 {
		r := f.find(SealReused, f.state.Holder, "%s put on %s, which has been used before; a seal number is used once.", f.step.Party, strings.Join(used, ", "))
		r.Found = used
	}
	kept, _ := CompareSeals(f.state.Seals, old)
	f.retire(old)
	f.state.Seals = union(kept, seals)
}

// replace takes old seals off and puts new ones on.
func (f *fold) replace() {
	old := normal(f.step.OldSeals)
	if len(old) == 0 {
		old = f.state.Seals
	} else if _, unknown := CompareSeals(f.state.Seals, old); len(unknown) > 0 {
		u := f.find(SealUnknown, f.state.Holder, "%s took off %s, which on record was not on it.", f.step.Party, strings.Join(unknown, ", "))
		u.Expected, u.Found = slices.Clone(f.state.Seals), unknown
	}
	f.putOn(f.step.Seals, slices.Clone(old))
}

// retire remembers seals that are no longer on. Beyond the bound the oldest is forgotten here; whoever keeps the whole
// register of seals finds its return with Reused.
func (f *fold) retire(seals []string) {
	for _, seal := range seals {
		if !slices.Contains(f.state.Retired, seal) {
			f.state.Retired = append(f.state.Retired, seal)
		}
	}
	if n := len(f.state.Retired); n > maxRetired {
		f.state.Retired = slices.Clone(f.state.Retired[n-maxRetired:])
	}
}

// count compares a count with the one on record; the first count, and that of a new packing, becomes it.
func (f *fold) count(fresh bool) {
	s := f.step
	if !s.Counted {
		return
	}
	if fresh || !f.state.Counted {
		f.state.Counted, f.state.Count = true, s.Count
		return
	}
	kind := CountShort
	switch {
	case s.Count == f.state.Count:
		return
	case s.Count > f.state.Count:
		kind = CountOver
	}
	c := f.find(kind, f.state.Holder, "%s counted %d, but %d are on record.", s.Party, s.Count, f.state.Count)
	c.Expected, c.Found = []string{strconv.Itoa(f.state.Count)}, []string{strconv.Itoa(s.Count)}
	f.state.Count = s.Count // as last counted, so that each change is found once
}

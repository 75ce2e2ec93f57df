package desk

import (
	"slices"
	"strings"

	"barward/client/station"
	pb "barward/proto/barward/v1"
)

// A discrepancy names one subject: a bar, a box, a consignment or a lot. Who prices a lot or signs its statement must
// see all that was raised about its metal, wherever on the way that was.

// raisedOn lists the discrepancies of a lot and of its bars, their boxes and their consignments, open ones first. cut
// says that there are more than are shown.
func (v *visit) raisedOn(lot *pb.Lot) (all []*pb.Discrepancy, cut bool, err error) {
	about := map[string]bool{lot.GetName(): true}
	consignments := map[string]bool{}
	names := slices.Clone(lot.GetDiscrepancies())
	bar := func(b *pb.Bar) {
		about[b.GetName()], about[b.GetBox()], about[b.GetConsignment()] = true, true, true
		consignments[b.GetConsignment()] = true
		names = append(names, b.GetDiscrepancies()...)
	}
	for token := ""; ; {
		list, _, err := v.page(pb.ThingKind_THING_KIND_BAR, filterOf("lot", lot.GetName()), token, station.MaxPage)
		if err != nil {
			return nil, false, err
		}
		for _, thing := range list.GetThings() {
			bar(thing.GetBar())
		}
		if token = list.GetNextPageToken(); token == "" {
			break
		}
	}
	delete(about, "")
	delete(consignments, "")
	known := map[string]bool{}
	take := func(d *pb.Discrepancy) {
		if !known[d.GetName()] {
			known[d.GetName()] = true
			all = append(all, d)
		}
	}
	filters := []string{filterOf("lot", lot.GetName())}
	for name := range consignments {
		filters = append(filters, filterOf("consignment", name))
	}
	slices.Sort(filters)
	for _, filter := range filters {
		for token := ""; ; {
			list, _, err := v.page(pb.ThingKind_THING_KIND_DISCREPANCY, filter, token, station.MaxPage)
			if err != nil {
				return nil, false, err
			}
			for _, thing := range list.GetThings() {
				if d := thing.GetDiscrepancy(); d.GetLot() == lot.GetName() || about[d.GetSubject()] ||
					slices.Contains(names, d.GetName()) {
					take(d)
				}
			}
			if token = list.GetNextPageToken(); token == "" {
				break
			}
		}
	}
	for _, name := range names { // raised before the metal was advised, so under no consignment
		if known[name] {
			continue
		}
		if len(all) >= maxRaised {
			cut = true
			break
		}
		thing, _, err := v.get(pb.ThingKind_THING_KIND_DISCREPANCY, name)
		if err != nil {
			return nil, false, err
		}
		take(thing.GetDiscrepancy())
	}
	slices.SortStableFunc(all, func(x, y *pb.Discrepancy) int { return station.CompareDiscrepancies(x, y, "money") })
	if len(all) > maxRaised {
		all, cut = all[:maxRaised], true
	}
	return all, cut, nil
}

// openOnes keeps the discrepancies that are not decided.
func openOnes(all []*pb.Discrepancy) []*pb.Discrepancy {
	return slices.DeleteFunc(slices.Clone(all), func(d *pb.Discrepancy) bool {
		return d.GetState() != pb.DiscrepancyState_DISCREPANCY_STATE_OPEN
	})
}

// openOnLot lists what is open on a lot's metal, for who is about to sign money of it.
func (v *visit) openOnLot(name string) (open []*pb.Discrepancy, err error) {
	thing, _, err := v.get(pb.ThingKind_THING_KIND_LOT, name)
	if err != nil {
		return nil, err
	}
	all, _, err := v.raisedOn(thing.GetLot())
	return openOnes(all), err
}

// openIn counts what is open in a consignment, for the list of lots.
func (v *visit) openIn(consignment string) (int, error) {
	if consignment == "" {
		return 0, nil
	}
	list, _, err := v.page(pb.ThingKind_THING_KIND_DISCREPANCY, filterOf("consignment", consignment, "state", "OPEN"), "",
		station.MaxPage)
	return len(list.GetThings()), err
}

// you marks our own party among several.
func (v *visit) you(parties []string, by string) string {
	marked := slices.Clone(parties)
	for i, party := range marked {
		if party == v.seat.Party {
			marked[i] += " (you)"
		}
	}
	return strings.Join(marked, by)
}

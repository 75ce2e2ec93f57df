package station

import (
	"context"
	"fmt"
	"strconv"
	"strings"

	"google.golang.org/protobuf/proto"

	"barward/internal/identity"
	"barward/internal/ledger/proof"
	"barward/internal/refusal"
	pb "barward/proto/barward/v1"
)

// Identify returns the party and the person that the key in use speaks for. It asks the service once and remembers
// the answer, so that a bench without a link can still write full references. Reasons: PARTY_UNKNOWN, KEY_UNKNOWN
// and those of Unlocked.
func (s *Station) Identify(ctx context.Context) (party, person string, err error) {
	key, err := s.Unlocked()
	if err != nil {
		return "", "", err
	}
	var me struct{ Party, Person string }
	file := "people/" + string(key.ID()) + ".json" // one each, because a gold room may share a workstation
	if found, err := s.home.ReadJSON(file, &me); err != nil {
		return "", "", err
	} else if found && (s.config.Party == "" || s.config.Party == me.Party) {
		return me.Party, me.Person, nil
	}
	if s.config.Party != "" {
		return s.config.Party, "", nil
	}
	found, err := s.FindPerson(ctx, key.Public())
	if err != nil {
		return "", "", partyUnknown(err)
	}
	me.Party, me.Person = found.GetParty(), found.GetName()
	return me.Party, me.Person, s.home.WriteJSON(file, me)
}

func partyUnknown(err error) error {
	if Unreachable(err) {
		return refusal.New(refusal.Unavailable, "PARTY_UNKNOWN", "--party",
			"The service does not answer, so it is not known which party your key acts for. Give --party, or write "+
				"references as party/number.").Because(err)
	}
	return err
}

// FindPerson walks the register of people for a key; a page is one call. Reason: KEY_UNKNOWN.
func (s *Station) FindPerson(ctx context.Context, public []byte) (*pb.Person, error) {
	var person *pb.Person
	err := s.Walk(ctx, pb.ThingKind_THING_KIND_PERSON, "", func(t *pb.Thing) bool {
		if string(t.GetPerson().GetPublicKey()) == string(public) {
			person = t.GetPerson()
		}
		return person == nil
	})
	if err == nil && person == nil {
		err = refusal.New(refusal.NotFound, "KEY_UNKNOWN", "",
			"The key %s is not registered there. Have the administrator of your party enrol it.",
			identity.KeyIDOf(public).Short())
	}
	return person, err
}

// Ref completes a short reference: `OT-0412` means our own party's, `ottermere/OT-0412`. An empty one stays empty.
func (s *Station) Ref(ctx context.Context, short string) (string, error) {
	if short == "" || strings.Contains(short, "/") {
		return short, nil
	}
	party, _, err := s.Identify(ctx)
	if err != nil {
		return "", err
	}
	return party + "/" + short, nil
}

// Beside completes a short reference with the party of another: the boxes of a consignment are the consignor's.
func Beside(neighbour, short string) string {
	if party, _, ok := strings.Cut(neighbour, "/"); ok && short != "" && !strings.Contains(short, "/") {
		return party + "/" + short
	}
	return short
}

// Get asks for one thing by its short or full name.
func (s *Station) Get(ctx context.Context, kind pb.ThingKind, name string) (*pb.Thing, error) {
	book, err := s.Book(ctx)
	if err != nil {
		return nil, err
	}
	switch kind { // what is not named party/number
	case pb.ThingKind_THING_KIND_PARTY, pb.ThingKind_THING_KIND_PRICE_SERIES, pb.ThingKind_THING_KIND_HOLIDAY_CALENDAR,
		pb.ThingKind_THING_KIND_DISCREPANCY, pb.ThingKind_THING_KIND_CORRECTION:
	default:
		if name, err = s.Ref(ctx, name); err != nil {
			return nil, err
		}
	}
	ctx, cancel := s.call(ctx)
	defer cancel()
	answer, err := book.Get(ctx, &pb.GetRequest{Kind: kind, Name: name})
	return answer.GetThing(), err
}

// Page asks for one page of things: at most size of them (1 to MaxPage), after token.
func (s *Station) Page(ctx context.Context, kind pb.ThingKind, filter, token string, size int32) (*pb.ListResponse,
	error) {
	book, err := s.Book(ctx)
	if err != nil {
		return nil, err
	}
	ctx, cancel := s.call(ctx)
	defer cancel()
	return book.List(ctx, &pb.ListRequest{Kind: kind, Filter: filter, PageToken: token, PageSize: size})
}

// Walk goes through all pages until more says that it has enough.
func (s *Station) Walk(ctx context.Context, kind pb.ThingKind, filter string, more func(*pb.Thing) bool) error {
	for token := ""; ; {
		page, err := s.Page(ctx, kind, filter, token, MaxPage)
		if err != nil {
			return err
		}
		for _, thing := range page.GetThings() {
			if !more(thing) {
				return nil
			}
		}
		if token = page.GetNextPageToken(); token == "" {
			return nil
		}
	}
}

// Entry fetches an entry by its number and checks it: its author signed it, it is shown as it was signed, and it
// is in the tree of the last checkpoint.
func (s *Station) Entry(ctx context.Context, sequence uint64) (*pb.Entry, error) {
	e, err := s.FindEntry(ctx, strconv.FormatUint(sequence, 10))
	if err != nil {
		return nil, err
	}
	return e, s.Included(ctx, sequence, e.GetLeaf())
}

// FindEntry fetches an entry by number or event id, and checks that its author signed it as it is shown. That the
// log has it, Included shows.
func (s *Station) FindEntry(ctx context.Context, which string) (*pb.Entry, error) {
	request := &pb.GetEntryRequest{Key: &pb.GetEntryRequest_EventId{EventId: which}}
	n, err := strconv.ParseUint(which, 10, 64)
	numbered := err == nil
	if numbered {
		request.Key = &pb.GetEntryRequest_Sequence{Sequence: n}
	}
	ledger, err := s.Ledger(ctx)
	if err != nil {
		return nil, err
	}
	ctx, cancel := s.call(ctx)
	defer cancel()
	answer, err := ledger.GetEntry(ctx, request)
	if err != nil {
		return nil, err
	}
	e := answer.GetEntry()
	if numbered && e.GetSequence() != n || !numbered && e.GetEvent().GetEventId() != which {
		return nil, s.Accuse(e, fmt.Errorf("the service answered entry %d, event %.60q, where %s was asked for",
			e.GetSequence(), e.GetEvent().GetEventId(), which))
	}
	return e, s.CheckEntry(e)
}

// CheckEntry holds an entry against its leaf and its signature: what is shown beside them is the service's reading
// only.
func (s *Station) CheckEntry(e *pb.Entry) error {
	leaf, err := proof.ParseLeaf(e.GetLeaf())
	if err == nil {
		_, err = proof.Open(leaf.Signed)
	}
	if err != nil {
		return s.Accuse(e, err)
	}
	event := &pb.Event{}
	if err := proto.Unmarshal(leaf.Event, event); err != nil || !proto.Equal(event, e.GetEvent()) {
		return s.Accuse(e, fmt.Errorf("entry %d is shown otherwise than it was signed", e.GetSequence()))
	}
	return nil
}

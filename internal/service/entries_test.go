package service

import (
	"fmt"
	"strings"
	"testing"

	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"

	"barward/internal/ledger"
	pb "barward/proto/barward/v1"
)

func TestPageSizes(t *testing.T) {
	for _, tt := range []struct {
		asked int32
		want  int // 0: refused
	}{{0, 50}, {1, 1}, {500, 500}, {501, 0}, {-1, 0}, {1<<31 - 1, 0}} { // bounds: the comments of service.proto
		got, err := pageSize(tt.asked)
		if got != tt.want || (err == nil) != (tt.want != 0) {
			t.Errorf("pageSize(%d) = %d, %v", tt.asked, got, err)
		}
	}
	h := open(t, nil)
	_, err := h.ledgerClient().ListEntries(h.as(h.admin), &pb.ListEntriesRequest{PageSize: 501})
	wantRefusal(t, err, codes.InvalidArgument, "PAGE_SIZE_OUT_OF_RANGE")
	books := pb.NewBookServiceClient(h.conn)
	_, err = books.List(h.as(h.admin), &pb.ListRequest{Kind: pb.ThingKind_THING_KIND_PARTY, PageSize: -1})
	wantRefusal(t, err, codes.InvalidArgument, "PAGE_SIZE_OUT_OF_RANGE")
	long := strings.Repeat("x", 1<<16)
	_, err = books.List(h.as(h.admin), &pb.ListRequest{Kind: pb.ThingKind_THING_KIND_PARTY, Filter: long})
	wantRefusal(t, err, codes.InvalidArgument, "FIELD_TOO_LONG")
	_, err = books.List(h.as(h.admin), &pb.ListRequest{Kind: pb.ThingKind_THING_KIND_PARTY, PageToken: long})
	wantRefusal(t, err, codes.InvalidArgument, "FIELD_TOO_LONG")
	_, err = books.Get(h.as(h.admin), &pb.GetRequest{Kind: pb.ThingKind_THING_KIND_PARTY, Name: long})
	wantRefusal(t, err, codes.InvalidArgument, "FIELD_TOO_LONG")
	_, err = books.TraceBar(h.as(h.admin), &pb.TraceBarRequest{Bar: long})
	wantRefusal(t, err, codes.InvalidArgument, "FIELD_TOO_LONG")
}

// Pages are one reading of the log: what is recorded between them is not in them.
func TestListEntriesIsPinnedToASize(t *testing.T) {
	h := open(t, nil)
	for i := range 10 {
		h.append(h.admin.event(t, mine(partyID(i))))
	}
	client := h.ledgerClient()
	var seen []uint64
	req := &pb.ListEntriesRequest{PageSize: 5}
	for page := 0; ; page++ {
		resp, err := client.ListEntries(h.as(h.admin), req)
		if err != nil {
			t.Fatal(err)
		}
		for _, e := range resp.Entries {
			seen = append(seen, e.Sequence)
		}
		h.append(h.admin.event(t, mine(partyID(100+page))))
		if req.PageToken = resp.NextPageToken; req.PageToken == "" {
			break
		}
	}
	if fmt.Sprint(seen) != "[0 1 2 3 4 5 6 7 8 9 10 11]" {
		t.Errorf("got %v", seen)
	}
}

func TestListEntriesByKind(t *testing.T) {
	h := open(t, nil)
	h.mine("ottermere")
	resp, err := h.ledgerClient().ListEntries(h.as(h.admin), &pb.ListEntriesRequest{Kind: "person_enrolled"})
	if err != nil {
		t.Fatal(err)
	}
	if len(resp.Entries) != 2 || resp.Entries[0].Sequence != 1 || resp.Entries[1].Sequence != 3 || resp.NextPageToken != "" {
		t.Errorf("got %v", resp)
	}
	_, err = h.ledgerClient().ListEntries(h.as(h.admin), &pb.ListEntriesRequest{Kind: "person_enroled"})
	wantRefusal(t, err, codes.InvalidArgument, "EVENT_KIND_UNKNOWN")
}

func TestPageTokensThatAreRefused(t *testing.T) {
	h := open(t, nil)
	h.mine("ottermere")
	client := h.ledgerClient()
	first, err := client.ListEntries(h.as(h.admin), &pb.ListEntriesRequest{PageSize: 1})
	if err != nil || first.NextPageToken == "" {
		t.Fatal(first, err)
	}
	good := first.NextPageToken
	for name, req := range map[string]*pb.ListEntriesRequest{
		"of another filter": {PageToken: good, Kind: "weighed"},
		"cut":               {PageToken: good[:len(good)-4]},
		"not base64":        {PageToken: "***"},
		"of a larger log":   {PageToken: place{size: 99, next: 50}.token("")},
		"beyond its size":   {PageToken: place{size: 3, next: 4}.token("")},
		"long":              {PageToken: strings.Repeat("A", maxToken+1)},
	} {
		_, err := client.ListEntries(h.as(h.admin), req)
		if status.Code(err) != codes.InvalidArgument || infoOf(err).GetReason() != "PAGE_TOKEN_MALFORMED" {
			t.Errorf("%s: got %v", name, err)
		}
	}
	if _, err := client.ListEntries(h.as(h.admin), &pb.ListEntriesRequest{PageToken: good}); err != nil {
		t.Errorf("the token itself: %v", err)
	}
}

func FuzzPageToken(f *testing.F) {
	f.Add(place{size: 3, next: 1}.token(""), "")
	f.Add(place{size: 3, next: 3}.token("weighed"), "weighed")
	f.Add("AAAA", "x")
	h := open(f, func(c *ledger.Config) { c.InitialMmap = 1 << 20 })
	f.Fuzz(func(t *testing.T, token, kind string) {
		p, err := h.service.readPlace(token, kind)
		if err != nil || token == "" {
			return
		}
		if p.size > h.ledger.Size() || p.next > p.size || p.token(kind) != token {
			t.Errorf("%q was read as %+v, which prints %q", token, p, p.token(kind))
		}
	})
}

func TestGetEntry(t *testing.T) {
	h := open(t, nil)
	client := h.ledgerClient()
	event := mine("ottermere")
	h.append(h.admin.event(t, event))
	byID, err := client.GetEntry(h.as(h.admin), &pb.GetEntryRequest{Key: &pb.GetEntryRequest_EventId{EventId: event.EventId}})
	if err != nil || byID.Entry.Sequence != 2 {
		t.Errorf("got %v, %v", byID, err)
	}
	for _, tt := range []struct {
		req    *pb.GetEntryRequest
		code   codes.Code
		reason string
	}{
		{&pb.GetEntryRequest{}, codes.InvalidArgument, "KEY_MISSING"},
		{&pb.GetEntryRequest{Key: &pb.GetEntryRequest_EventId{EventId: "41"}}, codes.InvalidArgument, "EVENT_ID_MALFORMED"},
		{&pb.GetEntryRequest{Key: &pb.GetEntryRequest_EventId{EventId: strings.ToUpper(event.EventId)}},
			codes.InvalidArgument, "EVENT_ID_MALFORMED"},
		{&pb.GetEntryRequest{Key: &pb.GetEntryRequest_EventId{EventId: "01900000-0000-7000-8000-000000000000"}},
			codes.NotFound, "ENTRY_NOT_FOUND"},
		{&pb.GetEntryRequest{Key: &pb.GetEntryRequest_Sequence{Sequence: 3}}, codes.OutOfRange, "BEYOND_TREE"},
	} {
		_, err := client.GetEntry(h.as(h.admin), tt.req)
		wantRefusal(t, err, tt.code, tt.reason)
	}
}

func TestWatchEntriesGoesOn(t *testing.T) {
	h := open(t, nil)
	head := h.mine("ottermere")
	client := h.ledgerClient()
	watch, err := client.WatchEntries(h.as(head), &pb.WatchEntriesRequest{FromSequence: 1})
	if err != nil {
		t.Fatal(err)
	}
	want := uint64(1)
	next := func() {
		t.Helper()
		got, err := watch.Recv()
		if err != nil || got.Entry.Sequence != want {
			t.Fatalf("got %v, %v, want entry %d", got, err, want)
		}
		want++
	}
	next()
	next()
	next()
	for i := range 3 * batchRead { // more than one batch, while the watcher is behind
		h.append(h.admin.event(t, mine(partyID(i))))
	}
	for range 3 * batchRead {
		next()
	}
	// What the watcher may see is asked anew for each batch: a revoked key sees nothing more.
	h.append(h.admin.event(t, &pb.Event{Body: &pb.Event_KeyRevoked{KeyRevoked: &pb.KeyRevoked{
		PublicKey: head.key.Public(), Reason: "an invented loss"}}}))
	_, err = watch.Recv()
	wantRefusal(t, err, codes.Unauthenticated, "KEY_REVOKED")

	ahead, err := client.WatchEntries(h.as(h.admin), &pb.WatchEntriesRequest{FromSequence: h.ledger.Size() + 1})
	if err != nil {
		t.Fatal(err)
	}
	_, err = ahead.Recv()
	wantRefusal(t, err, codes.OutOfRange, "BEYOND_TREE")
}

func TestPreviewsRefuseWhatIsMissingOrTooLarge(t *testing.T) {
	h := open(t, nil)
	client := pb.NewSettlementServiceClient(h.conn)
	_, err := client.PreviewStatement(h.as(h.admin), new(pb.PreviewStatementRequest))
	wantRefusal(t, err, codes.InvalidArgument, "FROM_MISSING")
	_, err = client.PreviewStatement(h.as(h.admin), &pb.PreviewStatementRequest{
		From: &pb.PreviewStatementRequest_Lot{Lot: strings.Repeat("x", maxName+1)}})
	wantRefusal(t, err, codes.InvalidArgument, "FIELD_TOO_LONG")
	_, err = client.ReconcileReturn(h.as(h.admin), &pb.ReconcileReturnRequest{Lot: "ottermere/1",
		Document: strings.Repeat("x", maxReturn+1)})
	wantRefusal(t, err, codes.InvalidArgument, "FIELD_TOO_LONG")
}

// What a caller may not see is answered word for word as what is not there, by number and by id, and lists and watches
// pass over it.
func TestHiddenIsLikeUnknown(t *testing.T) {
	h := open(t, nil)
	head := h.mine("ottermere")
	manager := newPerson(t)
	h.append(head.event(t, enrols("ottermere", "tansy", manager, pb.Role_ROLE_COMMERCIAL_MANAGER)))
	prices := &pb.Event{Body: &pb.Event_PricesPublished{PricesPublished: &pb.PricesPublished{
		Series: "invented-gold", Currency: "USD", Prices: []*pb.DailyPrice{{Date: "2026-03-02", Price: "2100.00"}}}}}
	hidden := h.append(manager.event(t, prices))
	h.append(h.admin.event(t, mine("vendleby")))
	client := h.ledgerClient()
	byNumber := &pb.GetEntryRequest{Key: &pb.GetEntryRequest_Sequence{Sequence: hidden}}
	byID := &pb.GetEntryRequest{Key: &pb.GetEntryRequest_EventId{EventId: prices.EventId}}
	for _, req := range []*pb.GetEntryRequest{byNumber, byID} {
		if got, err := client.GetEntry(h.as(manager), req); err != nil || got.Entry.Sequence != hidden {
			t.Errorf("its own author: %v, %v", got, err)
		}
		_, err := client.GetEntry(h.as(h.admin), req)
		wantRefusal(t, err, codes.NotFound, "ENTRY_NOT_FOUND")
	}
	const nobody = "01900000-0000-7000-8000-000000000000"
	_, there := client.GetEntry(h.as(h.admin), byID)
	_, not := client.GetEntry(h.as(h.admin), &pb.GetEntryRequest{Key: &pb.GetEntryRequest_EventId{EventId: nobody}})
	if strings.ReplaceAll(there.Error(), prices.EventId, nobody) != not.Error() {
		t.Errorf("hidden: %v\nunknown: %v", there, not)
	}
	list, err := client.ListEntries(h.as(h.admin), new(pb.ListEntriesRequest))
	if err != nil {
		t.Fatal(err)
	}
	watch, err := client.WatchEntries(h.as(h.admin), new(pb.WatchEntriesRequest))
	if err != nil {
		t.Fatal(err)
	}
	var listed, watched []uint64
	for _, e := range list.Entries {
		listed = append(listed, e.Sequence)
		got, err := watch.Recv()
		if err != nil {
			t.Fatal(err)
		}
		watched = append(watched, got.Entry.Sequence)
	}
	const want = "[0 1 2 3 4 6]" // by hand: all but the prices
	if hidden != 5 || fmt.Sprint(listed) != want || fmt.Sprint(watched) != want {
		t.Errorf("entry %d is hidden; listed %v, watched %v, want %s", hidden, listed, watched, want)
	}
}

// Pages whose items are large end early, below what a client takes as one message, and their tokens lead on.
func TestLargePagesEndEarly(t *testing.T) {
	h := open(t, nil)
	const large = 300
	for i := range large {
		event := mine(partyID(i))
		party := event.GetPartyRegistered()
		for s := range 50 {
			party.Sites = append(party.Sites, &pb.Site{SiteId: fmt.Sprintf("site%d", s), DisplayName: strings.Repeat("x", 200),
				ElevationM: "3900"})
		}
		h.append(h.admin.event(t, event))
	}
	books := pb.NewBookServiceClient(h.conn)
	seen, pages := 0, 0
	things := &pb.ListRequest{Kind: pb.ThingKind_THING_KIND_PARTY, PageSize: maxPage}
	for {
		resp, err := books.List(h.as(h.admin), things)
		if err != nil {
			t.Fatal(err)
		}
		for _, thing := range resp.Things {
			if i := seen - 1; i >= 0 && thing.GetParty().GetName() != partyID(i) { // the keeper comes first
				t.Fatalf("thing %d is %s", seen, thing.GetParty().GetName())
			}
			seen++
		}
		pages++
		if things.PageToken = resp.NextPageToken; things.PageToken == "" {
			break
		}
	}
	if seen != large+1 || pages < 2 {
		t.Errorf("%d things on %d pages", seen, pages)
	}
	seen, pages = 0, 0
	entries := &pb.ListEntriesRequest{PageSize: maxPage}
	for {
		resp, err := h.ledgerClient().ListEntries(h.as(h.admin), entries)
		if err != nil {
			t.Fatal(err)
		}
		seen, pages = seen+len(resp.Entries), pages+1
		if entries.PageToken = resp.NextPageToken; entries.PageToken == "" {
			break
		}
	}
	if seen != large+2 || pages < 3 { // by hand: 300 entries of 3 x 10 kB are 9 MB
		t.Errorf("%d entries on %d pages", seen, pages)
	}
}

package service

import (
	"bytes"
	"context"
	"encoding/base64"
	"encoding/binary"
	"strconv"
	"strings"

	"github.com/google/uuid"
	"google.golang.org/grpc"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"

	"barward/internal/book"
	"barward/internal/identity"
	"barward/internal/ledger"
	"barward/internal/ledger/proof"
	"barward/internal/refusal"
	pb "barward/proto/barward/v1"
)

// GetEntry returns one entry as stored.
func (s *ledgerService) GetEntry(ctx context.Context, req *pb.GetEntryRequest) (*pb.GetEntryResponse, error) {
	who, err := caller(ctx)
	if err != nil {
		return nil, err
	}
	var entry *ledger.Entry
	var asked string
	switch key := req.GetKey().(type) {
	case *pb.GetEntryRequest_Sequence:
		asked = strconv.FormatUint(key.Sequence, 10)
		entry, err = s.ledger.Entry(key.Sequence)
	case *pb.GetEntryRequest_EventId:
		id, bad := uuid.Parse(key.EventId)
		if bad != nil || id.String() != key.EventId {
			return nil, refusal.Invalidf("EVENT_ID_MALFORMED", "event_id",
				"It is not an event id. An event id is a UUID in lower case, as the receipt and the outbox show it.").Because(bad)
		}
		asked = key.EventId
		entry, err = s.ledger.ByID(id)
	default:
		return nil, refusal.Invalidf("KEY_MISSING", "key", "The request names no entry. Set sequence or event_id.")
	}
	// Not there and not to be seen are one answer: the difference would tell what others have on record.
	var shown *pb.Entry
	if err == nil {
		err = s.read(ctx, func(b *ledger.Book, _ uint64) (err error) {
			shown, err = entryProto(b, who, entry)
			return err
		})
	}
	if err != nil && !refusal.Is(err, "EVENT_UNKNOWN") {
		return nil, err
	}
	if shown == nil {
		return nil, refusal.New(refusal.NotFound, "ENTRY_NOT_FOUND", "",
			"There is no entry %s that your party may read. See that the number is right, and that this is the log you mean.",
			asked).About("entry "+asked).With("entry", asked)
	}
	return &pb.GetEntryResponse{Entry: shown}, nil
}

// entryProto renders an entry for a caller, or returns nil if the caller may not see it.
func entryProto(b *ledger.Book, who identity.Caller, e *ledger.Entry) (*pb.Entry, error) {
	event, err := book.Decode(e.Event)
	if err != nil {
		return nil, refusal.New(refusal.DataLoss, "ENTRY_UNREADABLE", "",
			"Entry %d is on record and cannot be read. Stop the service, keep the file, and verify it.", e.Seq).
			With("sequence", strconv.FormatUint(e.Seq, 10)).Because(err)
	}
	if !book.MaySeeEntry(b, who, event) {
		return nil, nil
	}
	leaf, err := e.Leaf().Marshal()
	if err != nil {
		return nil, err
	}
	return &pb.Entry{
		Sequence:    e.Seq,
		Leaf:        leaf,
		RecordedAt:  instant(e.RecordedAt),
		Rules:       uint32(e.Rules),
		SignedEvent: &pb.SignedEvent{Event: e.Event, Signature: e.Signature},
		Event:       event,
		Author:      book.AuthorOf(b, e.Author),
		Doubt:       book.DoubtOf(b, e.Author, e.RecordedAt),
	}, nil
}

// ListEntries returns entries in order, a page at a time. What the caller may not see is passed over; a page may hold fewer
// entries than asked for, even none, and is the last only when it has no token.
func (s *ledgerService) ListEntries(ctx context.Context, req *pb.ListEntriesRequest) (*pb.ListEntriesResponse, error) {
	who, err := caller(ctx)
	if err != nil {
		return nil, err
	}
	wanted, err := pageSize(req.GetPageSize())
	if err != nil {
		return nil, err
	}
	if err := eventKind(req.GetKind()); err != nil {
		return nil, err
	}
	place, err := s.readPlace(req.GetPageToken(), req.GetKind())
	if err != nil {
		return nil, err
	}
	resp := new(pb.ListEntriesResponse)
	bytes, last := 0, place.next+maxScan
	for place.next < place.size && place.next < last && len(resp.Entries) < wanted && bytes < maxPageBytes {
		entries, err := s.entries(ctx, place.next, min(batchRead, place.size-place.next))
		if err != nil {
			return nil, err
		}
		err = s.read(ctx, func(b *ledger.Book, _ uint64) error {
			for i := range entries {
				if len(resp.Entries) == wanted || bytes >= maxPageBytes {
					return nil
				}
				place.next = entries[i].Seq + 1
				shown, err := entryProto(b, who, entries[i])
				if err != nil {
					return err
				}
				if shown == nil || req.GetKind() != "" && kindOf(shown.Event) != req.GetKind() {
					continue
				}
				resp.Entries = append(resp.Entries, shown)
				bytes += proto.Size(shown)
			}
			return nil
		})
		if err != nil {
			return nil, err
		}
	}
	if place.next < place.size {
		resp.NextPageToken = place.token(req.GetKind())
	}
	return resp, nil
}

// entries reads some entries from the log, at least one if there is one.
func (s *Service) entries(ctx context.Context, from, most uint64) ([]*ledger.Entry, error) {
	if err := ctx.Err(); err != nil {
		return nil, err
	}
	return s.ledger.Entries(from, int(most))
}

var bodies = new(pb.Event).ProtoReflect().Descriptor().Oneofs().ByName("body")

// kindOf returns the kind of an event, such as "weighed".
func kindOf(event *pb.Event) string {
	if field := event.ProtoReflect().WhichOneof(bodies); field != nil {
		return string(field.Name())
	}
	return ""
}

// eventKind refuses a kind that no event has: a misspelt filter must not look like an empty log.
func eventKind(kind string) error {
	if kind == "" || bodies.Fields().ByName(protoreflect.Name(kind)) != nil {
		return nil
	}
	if err := within("kind", kind, maxName); err != nil {
		return err
	}
	return refusal.Invalidf("EVENT_KIND_UNKNOWN", "kind",
		"%+q is no kind of event. Kinds are named as the bodies of an event are, such as weighed or pour_recorded.", kind).
		With("kind", kind)
}

// place is where a list of entries goes on: in the tree of size, at next. It is pinned to the size at which the first
// page was read, so that the pages together are one reading of the log.
type place struct{ size, next uint64 }

// token writes a place so that it is not taken for something to build by hand. It gives no rights: what it leads to is
// checked again for the caller.
func (p place) token(kind string) string {
	b := []byte{1}
	b = binary.BigEndian.AppendUint64(b, p.size)
	b = binary.BigEndian.AppendUint64(b, p.next)
	return base64.RawURLEncoding.EncodeToString(append(b, kind...))
}

// readPlace reads a token, or begins at the first entry if there is none.
func (s *Service) readPlace(token, kind string) (place, error) {
	now := s.ledger.Size()
	if token == "" {
		return place{size: now}, nil
	}
	bad := func(what string) error {
		return refusal.Invalidf("PAGE_TOKEN_MALFORMED", "page_token",
			"The page token %s. Send the token of the page before, with the same filter, or none to begin again.", what)
	}
	if len(token) > maxToken {
		return place{}, bad("is longer than any of ours")
	}
	b, err := base64.RawURLEncoding.Strict().DecodeString(token)
	if err != nil || len(b) < 17 || b[0] != 1 {
		return place{}, bad("is not one of this list")
	}
	p := place{size: binary.BigEndian.Uint64(b[1:9]), next: binary.BigEndian.Uint64(b[9:17])}
	switch {
	case !bytes.Equal(b[17:], []byte(kind)):
		return place{}, bad("belongs to a list with another filter")
	case p.size > now || p.next > p.size:
		return place{}, bad("belongs to a larger log than this")
	}
	return p, nil
}

// WatchEntries sends entries from a sequence number on, and goes on as they come. What the caller may see is asked anew
// for each batch, so a watch ends when its key is revoked, and shows auditors nothing more when their grant ends.
func (s *ledgerService) WatchEntries(
	req *pb.WatchEntriesRequest, stream grpc.ServerStreamingServer[pb.WatchEntriesResponse],
) error {
	who, err := caller(stream.Context())
	if err != nil {
		return err
	}
	if !s.watches.TryAcquire(1) {
		return tooMany("WatchEntries", maxWatches)
	}
	defer s.watches.Release(1)
	ctx, cancel := context.WithCancel(stream.Context())
	defer cancel()
	defer context.AfterFunc(s.stop, cancel)()

	next := req.GetFromSequence()
	if size := s.ledger.Size(); next > size {
		return beyond("from_sequence", next, size)
	}
	key, err := who.KeyID.Public()
	if err != nil {
		return err
	}
	for {
		entries, err := s.newEntries(ctx, next)
		if err != nil {
			return s.watchEnd(err)
		}
		var batch []*pb.Entry
		err = s.read(ctx, func(b *ledger.Book, _ uint64) error {
			if who, err = book.CallerAt(b, key, s.now()); err != nil {
				return err
			}
			for i := range entries {
				shown, err := entryProto(b, who, entries[i])
				if err != nil {
					return err
				}
				if shown != nil {
					batch = append(batch, shown)
				}
				next = entries[i].Seq + 1
			}
			return nil
		})
		if err != nil {
			return s.watchEnd(err)
		}
		for _, shown := range batch {
			if err := ctx.Err(); err != nil { // the token has ended, or the service stops
				return s.watchEnd(err)
			}
			if err := stream.Send(&pb.WatchEntriesResponse{Entry: shown}); err != nil {
				return err
			}
		}
	}
}

// newEntries waits until there is an entry next, and returns it with some of those after it.
func (s *Service) newEntries(ctx context.Context, next uint64) ([]*ledger.Entry, error) {
	for {
		entries, err := s.entries(ctx, next, batchRead)
		if err != nil || len(entries) > 0 {
			return entries, err
		}
		if _, err := s.ledger.Wait(ctx, next); err != nil {
			return nil, err
		}
	}
}

// watchEnd tells a watcher that the service stops, rather than that the call was given up.
func (s *Service) watchEnd(err error) error {
	if s.stop.Err() != nil {
		return stopping()
	}
	return err
}

func beyond(field string, asked, size uint64) error {
	return refusal.New(refusal.OutOfRange, "BEYOND_TREE", field,
		"Asked for %d; the log has %d entries. Ask within its size; if you have seen a larger log, this one was rolled back: "+
			"keep your checkpoint and tell the other parties.", asked, size).
		With("asked", strconv.FormatUint(asked, 10)).With("size", strconv.FormatUint(size, 10))
}

// GetCheckpoint returns the latest signed checkpoint.
func (s *ledgerService) GetCheckpoint(context.Context, *pb.GetCheckpointRequest) (*pb.GetCheckpointResponse, error) {
	signed, err := s.ledger.Checkpoint()
	if err != nil {
		return nil, err
	}
	return &pb.GetCheckpointResponse{Checkpoint: string(signed), LogPublicKey: s.logKey}, nil
}

// ofThisLog refuses a cosignature under the checkpoint of another log: it says nothing about this one. The book, which
// does not know its log's name, checks the rest.
func (s *Service) ofThisLog(e *pb.CheckpointCosigned) error {
	if e == nil {
		return nil
	}
	if origin, _, _ := strings.Cut(e.Note, "\n"); origin != s.origin {
		return refusal.Invalidf("CHECKPOINT_ORIGIN", "checkpoint_cosigned.note",
			"The checkpoint is of another log than %q. Cosign one of this log.", s.origin).With("allowed", s.origin)
	}
	return nil
}

// ProveInclusion proves that an entry is in the tree of a size.
func (s *ledgerService) ProveInclusion(
	ctx context.Context, req *pb.ProveInclusionRequest,
) (*pb.ProveInclusionResponse, error) {
	if _, err := caller(ctx); err != nil {
		return nil, err
	}
	size := req.GetTreeSize()
	if size == 0 {
		size = s.ledger.Size()
	}
	path, err := s.ledger.ProveInclusion(req.GetSequence(), size)
	if err != nil {
		return nil, err
	}
	return &pb.ProveInclusionResponse{TreeSize: size, Hashes: hashes(path)}, nil
}

// ProveConsistency proves that the tree of one size extends that of another.
func (s *ledgerService) ProveConsistency(
	ctx context.Context, req *pb.ProveConsistencyRequest,
) (*pb.ProveConsistencyResponse, error) {
	if _, err := caller(ctx); err != nil {
		return nil, err
	}
	size := req.GetNewSize()
	if size == 0 {
		size = s.ledger.Size()
	}
	path, err := s.ledger.ProveConsistency(req.GetOldSize(), size)
	if err != nil {
		return nil, err
	}
	return &pb.ProveConsistencyResponse{NewSize: size, Hashes: hashes(path)}, nil
}

func hashes(path []proof.Hash) [][]byte {
	out := make([][]byte, len(path))
	for i := range path {
		out[i] = bytes.Clone(path[i][:])
	}
	return out
}

package desk

import (
	"context"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"fmt"
	"strings"
	"time"

	"google.golang.org/protobuf/encoding/protojson"
	"google.golang.org/protobuf/proto"

	"barward/client/station"
	"barward/internal/refusal"
	pb "barward/proto/barward/v1"
)

// What was last seen of the book is remembered, so that a page can be shown while the link is down: each person's own
// sight apart, because two who share a workstation need not see the same. A page always says when it is not fresh.

// Seen says how fresh something shown is.
type Seen struct {
	At   time.Time
	Live bool // read from the service just now
	// Missing says that it was never seen here and the link is down: only what waits in the outbox is known.
	Missing bool
}

// memory is a file of what was seen.
type memory struct {
	At   time.Time       `json:"at"`
	Of   string          `json:"of"`
	Said json.RawMessage `json:"said"`
}

// Get returns one thing, from the service or as it was seen last.
func (v *visit) get(kind pb.ThingKind, name string) (*pb.Thing, Seen, error) {
	thing := &pb.Thing{}
	seen, err := v.recall("thing/"+kind.String()+"/"+name, thing, func(ctx context.Context) (proto.Message, error) {
		return v.d.station.Get(ctx, kind, name)
	})
	return thing, seen, err
}

// page returns one page of things, from the service or as it was seen last.
func (v *visit) page(kind pb.ThingKind, filter, token string, size int32) (*pb.ListResponse, Seen, error) {
	list := &pb.ListResponse{}
	of := fmt.Sprintf("page/%s/%d/%s/%s", kind, size, filter, token)
	seen, err := v.recall(of, list, func(ctx context.Context) (proto.Message, error) {
		return v.d.station.Page(ctx, kind, filter, token, size)
	})
	return list, seen, err
}

// recall asks the service, and remembers; or remembers what it said before, where it cannot be asked. A link that is
// known to be down is not waited for.
func (v *visit) recall(of string, into proto.Message, ask func(context.Context) (proto.Message, error)) (Seen, error) {
	sum := sha256.Sum256([]byte(of))
	file := "seen/" + string(v.seat.key.ID())[:16] + "/" + hex.EncodeToString(sum[:16]) + ".json"
	state := v.d.sender.now()
	err := error(refusal.New(refusal.Unavailable, "LINK_DOWN", "",
		"The link is down, and this was not seen on this workstation before. Come back when the link is up."))
	if !state.Known || state.Up {
		ctx, cancel := context.WithTimeout(v.ctx(), v.d.c.Patience)
		defer cancel()
		said, asked := ask(ctx)
		if asked == nil {
			proto.Merge(into, said)
			return Seen{At: v.d.now(), Live: true}, v.remember(file, of, said)
		}
		if !station.Unreachable(asked) {
			return Seen{}, asked
		}
		err = asked
		v.d.sender.judge(asked)
	}
	var m memory
	if found, broken := v.d.kept.ReadJSON(file, &m); !found || broken != nil || m.Of != of {
		return Seen{}, err
	}
	if protojson.Unmarshal(m.Said, into) != nil {
		return Seen{}, err
	}
	return Seen{At: m.At}, nil
}

func (v *visit) remember(file, of string, said proto.Message) error {
	raw, err := protojson.Marshal(said)
	if err != nil || len(raw) > maxKept {
		return nil // too much to remember is no reason not to show it
	}
	return v.d.kept.WriteJSON(file, memory{v.d.now(), of, raw})
}

// older returns the less fresh of two.
func (s Seen) older(other Seen) Seen {
	if other.At.IsZero() || !s.At.IsZero() && s.At.Before(other.At) {
		return s
	}
	return other
}

// filterOf writes a filter of fields and values, leaving out those without a value.
func filterOf(pairs ...string) string {
	var parts []string
	for i := 0; i+1 < len(pairs); i += 2 {
		if pairs[i+1] != "" {
			parts = append(parts, pairs[i]+` = "`+strings.ReplaceAll(pairs[i+1], `"`, "")+`"`)
		}
	}
	return strings.Join(parts, " AND ")
}

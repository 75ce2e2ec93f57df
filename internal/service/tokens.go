package service

import (
	"context"
	"crypto/sha256"
	"encoding/hex"
	"sync"
	"time"

	"github.com/golang-jwt/jwt/v5"

	"barward/internal/book"
	"barward/internal/identity"
	"barward/internal/refusal"
	pb "barward/proto/barward/v1"
)

// tokens keeps what was proven, so that a token's signature is checked once and not with every call. It keeps hashes of
// tokens, not tokens: what is read out of this memory is no use to anybody.
type tokens struct {
	mu    sync.Mutex
	known map[[sha256.Size]byte]proven
}

// proven is what a token has proven, and what the registry said of its key.
type proven struct {
	who         identity.Caller
	from, until time.Time // the times at which the token was found to count
	asked       time.Time // when the registry was asked who this is
	registry    uint64    // how often the registry had changed then
}

// authenticate returns the registered person whose key signed the token of a call, and until when the token counts. The
// signature is checked once. The registry is asked again when an event has changed it, so that a revocation counts from
// the moment its receipt is given, and every askEvery, because grants begin and end by the clock.
func (s *Service) authenticate(ctx context.Context, authorization string) (identity.Caller, time.Time, error) {
	p, err := s.proveToken(ctx, authorization)
	if err != nil {
		return identity.Caller{}, time.Time{}, err
	}
	return p.who, p.until, nil
}

func (s *Service) proveToken(ctx context.Context, authorization string) (proven, error) {
	if err := ctx.Err(); err != nil {
		return proven{}, err
	}
	token, err := identity.BearerToken(authorization)
	if err != nil {
		return proven{}, err
	}
	now, registry := s.now(), s.registry.Load()
	sum := sha256.Sum256([]byte(token))
	s.tokens.mu.Lock()
	p, found := s.tokens.known[sum]
	s.tokens.mu.Unlock()
	if found && !now.Before(p.from) && now.Before(p.until) {
		if p.registry == registry && now.Before(p.asked.Add(askEvery)) {
			return p, nil
		}
		key, err := p.who.KeyID.Public()
		if err != nil {
			return proven{}, err
		}
		if p.who, err = s.callerOf(key); err != nil {
			return proven{}, err
		}
	} else {
		p.who, err = identity.CheckToken(token, s.origin, now, func(id identity.KeyID) (identity.Registered, bool, error) {
			key, err := hex.DecodeString(string(id))
			if err != nil {
				return identity.Registered{}, false, err
			}
			who, err := s.callerOf(key)
			return identity.Registered{Caller: who}, err == nil, err
		})
		if err != nil {
			return proven{}, err
		}
		p.from = now
		if p.until, err = tokenEnd(token); err != nil {
			return proven{}, err
		}
	}
	p.asked, p.registry = now, registry
	s.tokens.keep(sum, p, now)
	return p, nil
}

// registered notes that an event may have changed who is who, before anybody hears that it was recorded.
func (s *Service) registered(event any) {
	e, ok := event.(*book.Prepared)
	if !ok {
		return
	}
	switch e.Event.Body.(type) {
	case *pb.Event_PartyRegistered, *pb.Event_PartyChanged, *pb.Event_PersonEnrolled, *pb.Event_KeyRevoked,
		*pb.Event_KeyRotated, *pb.Event_KeyRecovered, *pb.Event_AccessGranted, *pb.Event_AccessWithdrawn,
		*pb.Event_Countersigned, *pb.Event_Corrected:
		s.registry.Add(1)
	}
}

// tokenEnd returns the first moment at which a token that CheckToken has let pass no longer counts.
func tokenEnd(token string) (time.Time, error) {
	var says jwt.RegisteredClaims
	if _, _, err := jwt.NewParser().ParseUnverified(token, &says); err != nil {
		return time.Time{}, err
	}
	return says.ExpiresAt.Add(identity.MaxClockSkew), nil
}

// keep remembers a proof. When there is no room the past ones go, and if none is past, any one.
func (t *tokens) keep(sum [sha256.Size]byte, p proven, now time.Time) {
	t.mu.Lock()
	defer t.mu.Unlock()
	if _, there := t.known[sum]; !there && len(t.known) >= maxProven {
		var any [sha256.Size]byte
		for other, old := range t.known {
			any = other
			if !now.Before(old.until) {
				delete(t.known, other)
			}
		}
		if len(t.known) >= maxProven {
			delete(t.known, any)
		}
	}
	t.known[sum] = p
}

// tokenEnded is what a stream is told when the token that opened it no longer counts.
func tokenEnded() *refusal.Error {
	return refusal.New(refusal.Unauthenticated, "TOKEN_EXPIRED", "",
		"The token that opened the stream no longer counts. Open the stream again with a new one and go on where it ended.")
}

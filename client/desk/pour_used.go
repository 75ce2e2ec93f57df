package desk

import (
	"context"
	"slices"
	"sync"
	"time"

	"barward/client/station"
	"barward/internal/refusal"
	pb "barward/proto/barward/v1"
)

// onRecord reports whether a bar or a pour of that name is there already: on record, or signed here and not recorded
// yet. What cannot be asked is not there; the service judges again.
func (v *visit) onRecord(kind pb.ThingKind, name string) bool {
	waiting, err := v.d.waitingEvents()
	if err == nil && slices.ContainsFunc(waiting, func(w waitingEvent) bool {
		pour := w.event.GetPourRecorded()
		if kind == pb.ThingKind_THING_KIND_POUR {
			return pour != nil && v.seat.Party+"/"+pour.GetPourId() == name
		}
		return slices.ContainsFunc(pour.GetBars(), func(b *pb.PouredBar) bool { return v.seat.Party+"/"+b.GetMark() == name })
	}) {
		return true
	}
	if !v.d.sender.now().Up {
		return false
	}
	key := kind.String() + " " + name
	if taken, fresh := v.d.used.look(key, v.d.now()); fresh {
		return taken
	}
	ctx, cancel := context.WithTimeout(v.ctx(), v.d.c.Patience)
	defer cancel()
	_, err = v.d.station.Get(ctx, kind, name)
	if r := station.AsRefusal(err); err != nil && (r == nil || r.Kind != refusal.NotFound) {
		return false
	}
	v.d.used.keep(key, err == nil, v.d.now())
	return err == nil
}

// usedNames remembers which names of bars and pours are on record, so that a page that is being typed does not ask for
// each of them at every key. That a name is free is forgotten soon.
type usedNames struct {
	mu   sync.Mutex
	of   map[string]bool
	free map[string]time.Time // when it was asked
}

func (u *usedNames) look(name string, now time.Time) (taken, fresh bool) {
	u.mu.Lock()
	defer u.mu.Unlock()
	if u.of[name] {
		return true, true
	}
	at, asked := u.free[name]
	return false, asked && now.Sub(at) < freeFor
}

func (u *usedNames) keep(name string, taken bool, now time.Time) {
	u.mu.Lock()
	defer u.mu.Unlock()
	if u.of == nil || u.free == nil || len(u.of)+len(u.free) > maxUsed {
		u.of, u.free = map[string]bool{}, map[string]time.Time{}
	}
	if taken {
		u.of[name] = true
	} else {
		u.free[name] = now
	}
}

// ask has every name that was free asked for again: something was recorded, or is about to be.
func (u *usedNames) ask() {
	u.mu.Lock()
	defer u.mu.Unlock()
	u.free = map[string]time.Time{}
}

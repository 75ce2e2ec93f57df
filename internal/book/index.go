package book

import (
	"bytes"
	"encoding/binary"
	"slices"

	"barward/internal/identity"
	"barward/internal/ledger"
)

// The table `<things>.by` leads from a value to the things that have it, in the order of time: a byte that says which
// column (0: a party that may read the thing, else a column of the table counted from 1), the value, a zero byte, and the
// key of the thing. A list that is filtered walks the keys of each of its conditions side by side and stops only where
// they agree, so it looks at what it shows and not at what it passes over.

const bySuffix = ".by"

var byValue = []byte{1} // the store tells an empty value from none with difficulty

const keyLength = 10

func entryOf(column int, value string, key []byte) []byte {
	b := make([]byte, 0, len(value)+2+len(key))
	return append(append(append(append(b, byte(column)), value...), 0), key...)
}

func (t table[T]) keysOf(value thing) keyed {
	if t.keys == nil {
		return keyed{}
	}
	return t.keys(value.(T))
}

// reindex brings the lines of a thing up to what it says now.
func (h *held) reindex(pages *ledger.Book, now keyed) error {
	by := pages.Table(h.table + bySuffix)
	for i, value := range now.values {
		was := h.before.values[i]
		if was == value {
			continue
		}
		if was != "" {
			if err := by.Delete(entryOf(i+1, was, h.key)); err != nil {
				return err
			}
		}
		if value != "" {
			if err := by.Put(entryOf(i+1, value, h.key), byValue); err != nil {
				return err
			}
		}
	}
	for _, party := range now.parties {
		if slices.Contains(h.before.parties, party) {
			continue
		}
		if err := by.Put(entryOf(0, party, h.key), byValue); err != nil {
			return err
		}
	}
	return nil
}

// narrowing is a column and the value that it must have.
type narrowing struct {
	column int
	value  string
}

// agreeing visits the keys that meet all conditions, in the order of time, after a key and below a tree size, until visit
// says no. When it has looked most times, it stops and returns the key after which to go on.
func agreeing(by *ledger.Table, conditions []narrowing, after []byte, below uint64, most int, visit func([]byte) bool) []byte {
	type walk struct {
		prefix []byte
		cursor *ledger.Cursor
	}
	walks := make([]walk, len(conditions))
	for i, c := range conditions {
		walks[i] = walk{entryOf(c.column, c.value, nil), by.Cursor()}
	}
	// from returns the first key of a walk that is at or after key; nil at its end.
	from := func(w walk, key []byte) []byte {
		k, _ := w.cursor.Seek(append(slices.Clone(w.prefix), key...))
		if !bytes.HasPrefix(k, w.prefix) || len(k) != len(w.prefix)+keyLength {
			return nil
		}
		return k[len(w.prefix):]
	}
	key := following(after)
	agreed, looked := 0, 0
	for i := 0; ; i = (i + 1) % len(walks) {
		if looked++; looked > most {
			return preceding(key) // which may be one of them yet
		}
		next := from(walks[i], key)
		if next == nil || binary.BigEndian.Uint64(next) >= below {
			return nil
		}
		if bytes.Equal(next, key) {
			agreed++
		} else {
			key, agreed = slices.Clone(next), 1
		}
		if agreed < len(walks) {
			continue
		}
		if !visit(key) {
			return nil
		}
		key, agreed = following(key), 0
	}
}

// following returns the smallest key after one; the first of all after none.
func following(after []byte) []byte {
	if len(after) != keyLength {
		return make([]byte, keyLength)
	}
	next := slices.Clone(after)
	for i := len(next) - 1; i >= 0; i-- {
		if next[i]++; next[i] != 0 {
			break
		}
	}
	return next
}

// preceding is the other way of following; nil before the first of all.
func preceding(key []byte) []byte {
	before := slices.Clone(key)
	for i := len(before) - 1; i >= 0; i-- {
		if before[i]--; before[i] != 0xff {
			return before
		}
	}
	return nil
}

// reader returns the condition that only things which a caller may read meet; false where no one condition says that, and
// none where it is known that there are no such things.
func reader(caller identity.Caller, t anyTable) (c narrowing, known, none bool) {
	if !t.limited() {
		return narrowing{}, false, false
	}
	if caller.PartyKind != identity.Auditors || t.title() == grants.title() {
		return narrowing{0, caller.PartyID}, true, false
	}
	if len(caller.Reach) == 0 {
		return narrowing{}, false, true
	}
	for _, r := range caller.Reach[1:] {
		if r.Grantor != caller.Reach[0].Grantor {
			return narrowing{}, false, false
		}
	}
	return narrowing{0, caller.Reach[0].Grantor}, true, false
}

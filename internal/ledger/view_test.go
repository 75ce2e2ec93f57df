package ledger

import (
	"bytes"
	"fmt"
	"maps"
	"math/rand/v2"
	"os"
	"path/filepath"
	"slices"
	"testing"

	"go.etcd.io/bbolt"
)

// Whatever lies in the file and in two layers in front of it reads as a plain map does that was given the same changes:
// one key, from a key on, forwards and backwards. And stored, it reads the same.
func TestLayersAgainstAPlainMap(t *testing.T) {
	db, err := bbolt.Open(filepath.Join(t.TempDir(), "file"), 0o600, &bbolt.Options{NoSync: true})
	if err != nil {
		t.Fatal(err)
	}
	defer db.Close()
	for seed := range uint64(60) {
		random := rand.New(rand.NewPCG(seed, 7))
		name := fmt.Sprint("table", seed)
		if err := db.Update(func(tx *bbolt.Tx) error {
			book, err := tx.CreateBucketIfNotExists(bucketBook)
			if err != nil {
				return err
			}
			plain := map[string]string{}
			change := func(v *view) {
				for range random.IntN(40) {
					key := fmt.Sprintf("%02d", random.IntN(30))
					if random.IntN(3) == 0 {
						delete(plain, key)
						if err := v.book.Table(name).Delete([]byte(key)); err != nil {
							t.Fatal(err)
						}
						continue
					}
					plain[key] = fmt.Sprint(random.IntN(1000))
					if err := v.book.Table(name).Put([]byte(key), []byte(plain[key])); err != nil {
						t.Fatal(err)
					}
				}
			}
			inFile := writable(tx)
			change(inFile)
			if err := inFile.written.storeIn(tx); err != nil {
				return err
			}
			older := writable(tx)
			change(older)
			newer := newLayer()
			v := newView(tx, head{}, []*layer{newer, older.written}, newer)
			change(v)
			same(t, fmt.Sprint("seed ", seed), v.book.Table(name), plain)
			copied := newer.copy()
			change(newView(tx, head{}, []*layer{copied, older.written}, copied)) // which others must not notice
			clear(plain)
			for key, value := range list(v.book.Table(name)) {
				plain[key] = value
			}
			same(t, fmt.Sprint("seed ", seed, ", after its copy was changed"), v.book.Table(name), plain)
			for _, l := range []*layer{older.written, newer} {
				if err := l.storeIn(tx); err != nil {
					return err
				}
			}
			same(t, fmt.Sprint("seed ", seed, ", stored"), viewOf(tx, head{}).book.Table(name), plain)
			if names := v.book.Names(); len(plain) > 0 && !slices.Contains(names, name) {
				t.Errorf("seed %d: %q lacks the table", seed, names)
			}
			_ = book
			return nil
		}); err != nil {
			t.Fatal(err)
		}
	}
}

func list(table *Table) map[string]string {
	all := map[string]string{}
	c := table.Cursor()
	for k, v := c.First(); k != nil; k, v = c.Next() {
		all[string(k)] = string(v)
	}
	return all
}

func same(t *testing.T, what string, table *Table, plain map[string]string) {
	t.Helper()
	keys := slices.Sorted(maps.Keys(plain))
	var forth, back []string
	c := table.Cursor()
	for k, v := c.First(); k != nil; k, v = c.Next() {
		forth = append(forth, string(k))
		if string(v) != plain[string(k)] {
			t.Errorf("%s: %s is %q, want %q", what, k, v, plain[string(k)])
		}
	}
	for k, _ := c.Last(); k != nil; k, _ = c.Prev() {
		back = append(back, string(k))
	}
	slices.Reverse(back)
	if !slices.Equal(forth, keys) || !slices.Equal(back, keys) {
		t.Errorf("%s: forwards %q, backwards %q, want %q", what, forth, back, keys)
	}
	for n := range 31 {
		key := fmt.Sprintf("%02d", n)
		if got := table.Get([]byte(key)); (got != nil) != (plain[key] != "") || string(got) != plain[key] {
			t.Errorf("%s: %s is %q, want %q", what, key, got, plain[key])
		}
		at, _ := slices.BinarySearch(keys, key)
		k, _ := c.Seek([]byte(key))
		if at == len(keys) && k != nil || at < len(keys) && string(k) != keys[at] {
			t.Errorf("%s: from %s on the first is %q", what, key, k)
		}
	}
}

// A view that is to be read, and keys that the store cannot hold, are refused.
func TestTablesRefuse(t *testing.T) {
	if err := viewOf(nil, head{layers: []*layer{newLayer()}}).book.Table("x").Put([]byte("k"), nil); err == nil {
		t.Error("written to a view that is to be read")
	}
	x := NewBook().Table("x")
	for _, key := range [][]byte{nil, {}, make([]byte, bbolt.MaxKeySize+1)} {
		if err := x.Put(key, []byte("v")); err == nil {
			t.Errorf("a key of %d bytes was taken", len(key))
		}
	}
	if err := x.Put([]byte("k"), nil); err != nil || x.Get([]byte("k")) == nil {
		t.Errorf("an empty value is none: %v", err)
	}
}

// A frame reads back as it was written, whatever stands behind it; and no bytes make the reader fail or read past a frame.
func FuzzReadFrames(f *testing.F) {
	written := func(t testing.TB) []byte {
		j := &journal{names: journalFiles(filepath.Join(t.TempDir(), "ledger")), turn: 3}
		for n, leaves := range [][][]byte{{[]byte("a leaf")}, {[]byte("another"), {}, []byte("a third")}} {
			if err := j.write(uint64(10+n), leaves, []byte("checkpoint")); err != nil {
				t.Fatal(err)
			}
		}
		if err := j.close(); err != nil {
			t.Fatal(err)
		}
		b, err := os.ReadFile(j.names[0])
		if err != nil {
			t.Fatal(err)
		}
		return b[:j.at]
	}
	whole := written(f)
	frames, err := readFrames(whole)
	if err != nil || len(frames) != 2 || frames[1].turn != 3 || frames[1].first != 11 || len(frames[1].leaves) != 3 ||
		string(frames[1].leaves[2]) != "a third" || string(frames[1].checkpoint) != "checkpoint" {
		f.Fatalf("%+v", frames)
	}
	f.Add(whole)
	f.Add(append(bytes.Clone(whole), make([]byte, 100)...))
	f.Add(whole[:len(whole)-1])
	f.Add([]byte(frameMark))
	f.Fuzz(func(t *testing.T, b []byte) {
		frames, _ := readFrames(b)
		for _, f := range frames {
			leaves := 0
			for _, leaf := range f.leaves {
				leaves += 4 + len(leaf)
			}
			if leaves+len(f.checkpoint)+frameRest > len(b) {
				t.Fatalf("%d bytes hold a frame of %d", len(b), leaves+len(f.checkpoint)+frameRest)
			}
		}
	})
}

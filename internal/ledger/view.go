package ledger

import (
	"bytes"
	"errors"
	"maps"
	"slices"
	"strings"

	"github.com/tidwall/btree"
	"go.etcd.io/bbolt"
)

// A view is the ledger as of one moment: what the file holds, and in front of it what the entries since then changed. What
// is acknowledged is in the journal at once and in the file later, many entries in one transaction, so that a page is
// written once for many of them. A view belongs to one goroutine, and so do all slices out of it.
type view struct {
	head    head
	tx      *bbolt.Tx
	layers  []*layer // newest first
	written *layer   // what is written to; nil: nothing is
	tables  map[string]*Table
	book    *Book
}

// viewOf returns the view that a head has in tx, to be read.
func viewOf(tx *bbolt.Tx, h head) *view { return newView(tx, h, h.layers, nil) }

func newView(tx *bbolt.Tx, h head, layers []*layer, written *layer) *view {
	v := &view{head: h, tx: tx, layers: layers, written: written, tables: map[string]*Table{}}
	v.book = &Book{view: v, tables: map[string]*Table{}}
	return v
}

// writable returns a view of tx that is written to in memory.
func writable(tx *bbolt.Tx) *view {
	front := newLayer()
	return newView(tx, head{}, []*layer{front}, front)
}

// moveTo has the view read another transaction, and other layers.
func (v *view) moveTo(tx *bbolt.Tx, layers []*layer) {
	v.tx, v.layers, v.written = tx, layers, layers[0]
	clear(v.tables)
	clear(v.book.tables)
}

func (v *view) size() uint64 { return v.head.tree.Size() }

func (v *view) entries() *Table { return v.table(nameEntries) }
func (v *view) hashes() *Table  { return v.table(nameHashes) }
func (v *view) ids() *Table     { return v.table(nameIDs) }

// inBook is what the keys of the book's tables begin with, among those of a view.
const inBook = "book/"

func (v *view) table(name string) *Table {
	t := v.tables[name]
	if t == nil {
		t = &Table{view: v, name: name, file: bucketOf(v.tx, name)}
		for _, l := range v.layers {
			t.layers = append(t.layers, l.tables[name])
		}
		v.tables[name] = t
	}
	return t
}

// bucketOf returns the bucket of a table in the file, or nil.
func bucketOf(tx *bbolt.Tx, name string) *bbolt.Bucket {
	if tx == nil {
		return nil
	}
	if inner, ok := strings.CutPrefix(name, inBook); ok {
		book := tx.Bucket(bucketBook)
		if book == nil {
			return nil
		}
		return book.Bucket([]byte(inner))
	}
	return tx.Bucket([]byte(name))
}

// A Book is the picture that the Judge folds from the log, as of one entry: tables of keys and values, which come into
// being with their first key and of which none is told apart from an empty one. It belongs to one goroutine. One that
// Ledger.View gives is gone when that ends, with all slices out of it.
type Book struct {
	view   *view
	tables map[string]*Table
}

// NewBook returns an empty book that lies in memory only.
func NewBook() *Book { return writable(nil).book }

// Table returns the table of this name. Keep it no longer than the book's turn: a decision, a fold or a view.
func (b *Book) Table(name string) *Table {
	t := b.tables[name]
	if t == nil {
		t = b.view.table(inBook + name)
		b.tables[name] = t
	}
	return t
}

// Names lists the tables that may hold something, in order.
func (b *Book) Names() []string {
	names := map[string]bool{}
	for _, l := range b.view.layers {
		for name := range l.tables {
			if inner, ok := strings.CutPrefix(name, inBook); ok {
				names[inner] = true
			}
		}
	}
	if b.view.tx != nil {
		_ = b.view.tx.Bucket(bucketBook).ForEach(func(k, _ []byte) error { names[string(k)] = true; return nil })
	}
	return slices.Sorted(maps.Keys(names))
}

// A Table is a part of a book. Values are not to be altered, neither those that it gave nor those that it was given.
type Table struct {
	view   *view
	name   string
	layers []*changes    // as those of the view; nil where there is nothing
	file   *bbolt.Bucket // nil: nothing
}

// Get returns the value of key, or nil.
func (t *Table) Get(key []byte) []byte {
	for _, l := range t.layers {
		if l == nil {
			continue
		}
		if value, ok := l.keys.Get(string(key)); ok {
			return value
		}
	}
	if t.file == nil {
		return nil
	}
	return t.file.Get(key)
}

// Put sets the value of key.
func (t *Table) Put(key, value []byte) error {
	switch {
	case len(key) == 0 || len(key) > bbolt.MaxKeySize:
		return errors.New("a key of the book is empty or too long")
	case int64(len(value)) > bbolt.MaxValueSize:
		return errors.New("a value of the book is too long")
	}
	if value == nil {
		value = []byte{}
	}
	return t.set(key, value)
}

// Delete removes key if it is there.
func (t *Table) Delete(key []byte) error { return t.set(key, nil) }

func (t *Table) set(key, value []byte) error {
	c, err := t.written()
	if err != nil {
		return err
	}
	c.keys.Set(string(key), value)
	t.view.written.bytes += len(key) + len(value)
	return nil
}

// Growing says that new keys of this table mostly come after those that are there, so that its pages may be filled.
func (t *Table) Growing() error {
	c, err := t.written()
	if err == nil {
		c.growing = true
	}
	return err
}

// written returns what is written to.
func (t *Table) written() (*changes, error) {
	if t.view.written == nil {
		return nil, errors.New("the book is open to be read")
	}
	if t.layers[0] == nil {
		t.layers[0] = &changes{keys: new(btree.Map[string, []byte])}
		t.view.written.tables[t.name] = t.layers[0]
	}
	return t.layers[0], nil
}

// A layer is what some entries changed.
type layer struct {
	tables  map[string]*changes
	entries int
	bytes   int // put into it, with what was overwritten since

	bookless bool // it has the rows of entries that are not folded
}

// changes are those of one table.
type changes struct {
	keys    *btree.Map[string, []byte] // nil: deleted
	growing bool
}

func newLayer() *layer { return &layer{tables: map[string]*changes{}} }

// copy returns the layer as it is, for others to read while this one is written to.
func (l *layer) copy() *layer {
	c := &layer{tables: make(map[string]*changes, len(l.tables)), entries: l.entries, bytes: l.bytes}
	for name, t := range l.tables {
		c.tables[name] = &changes{keys: t.keys.Copy(), growing: t.growing}
	}
	return c
}

// storeIn writes the changes into the file, in the order of their keys.
func (l *layer) storeIn(tx *bbolt.Tx) error {
	for _, name := range slices.Sorted(maps.Keys(l.tables)) {
		if err := l.tables[name].storeIn(tx, name); err != nil {
			return err
		}
	}
	return nil
}

func (c *changes) storeIn(tx *bbolt.Tx, name string) (err error) {
	table := bucketOf(tx, name)
	c.keys.Scan(func(key string, value []byte) bool {
		if table == nil {
			if value == nil { // it came and went
				return true
			}
			if table, err = tx.Bucket(bucketBook).CreateBucket([]byte(strings.TrimPrefix(name, inBook))); err != nil {
				return false
			}
		}
		if c.growing {
			table.FillPercent = fillPercent
		}
		if value == nil {
			err = table.Delete([]byte(key))
		} else {
			err = table.Put([]byte(key), value)
		}
		return err == nil
	})
	return err
}

// Cursor returns a cursor over the keys of the table. The table must not be written to while it is used.
func (t *Table) Cursor() *Cursor {
	c := &Cursor{}
	for _, l := range t.layers {
		if l != nil && l.keys.Len() > 0 {
			c.layers = append(c.layers, layerCursor{at: l.keys.Iter()})
		}
	}
	if t.file != nil {
		c.file = t.file.Cursor()
	}
	return c
}

// A Cursor goes through a table in the order of its keys: forwards by Next after First or Seek, or backwards by Prev after
// Last. At the end the key is nil. In a damaged file a value may be nil.
type Cursor struct {
	layers     []layerCursor // newest first
	file       *bbolt.Cursor
	key, value []byte // of file
	back       bool
}

type layerCursor struct {
	at btree.MapIter[string, []byte]
	ok bool
}

// First goes to the first key.
func (c *Cursor) First() (key, value []byte) {
	return c.begin(false, (*btree.MapIter[string, []byte]).First, (*bbolt.Cursor).First)
}

// Last goes to the last key.
func (c *Cursor) Last() (key, value []byte) {
	return c.begin(true, (*btree.MapIter[string, []byte]).Last, (*bbolt.Cursor).Last)
}

// Seek goes to the first key that is not before this one.
func (c *Cursor) Seek(key []byte) (at, value []byte) {
	return c.begin(false, func(layer *btree.MapIter[string, []byte]) bool { return layer.Seek(string(key)) },
		func(file *bbolt.Cursor) (at, value []byte) { return file.Seek(key) })
}

// begin places the cursors of all layers and of the file.
func (c *Cursor) begin(back bool, place func(layer *btree.MapIter[string, []byte]) bool,
	placeFile func(file *bbolt.Cursor) (key, value []byte)) (key, value []byte) {
	c.back = back
	for i := range c.layers {
		c.layers[i].ok = place(&c.layers[i].at)
	}
	if c.file != nil {
		c.key, c.value = placeFile(c.file)
	}
	return c.take()
}

// Next goes on.
func (c *Cursor) Next() (key, value []byte) { return c.take() }

// Prev goes back.
func (c *Cursor) Prev() (key, value []byte) { return c.take() }

// take returns the nearest key of all layers, as the newest that knows it has it, and goes past it.
func (c *Cursor) take() (key, value []byte) {
	for {
		newest := -1 // of the layers that stand at the nearest key; the file is none of them
		for i := range c.layers {
			if l := &c.layers[i]; l.ok && (newest < 0 || c.nearer(l.at.Key(), c.layers[newest].at.Key())) {
				newest = i
			}
		}
		if newest < 0 || c.key != nil && c.nearer(string(c.key), c.layers[newest].at.Key()) {
			key, value = c.key, c.value
			c.past(key)
			return key, value
		}
		at := c.layers[newest].at.Key()
		value = c.layers[newest].at.Value()
		for i := newest; i < len(c.layers); i++ {
			if l := &c.layers[i]; l.ok && l.at.Key() == at {
				if c.back {
					l.ok = l.at.Prev()
				} else {
					l.ok = l.at.Next()
				}
			}
		}
		if c.key != nil && string(c.key) == at {
			c.past(c.key)
		}
		if value != nil {
			return []byte(at), value
		}
	}
}

// nearer reports whether key a comes before b on the way that the cursor goes.
func (c *Cursor) nearer(a, b string) bool {
	if c.back {
		return a > b
	}
	return a < b
}

// past moves the file's cursor on from a key; at its end it stays there.
func (c *Cursor) past(key []byte) {
	switch {
	case key == nil:
	case c.back:
		c.key, c.value = c.file.Prev()
	default:
		c.key, c.value = c.file.Next()
	}
}

// compareBooks looks for the first difference between two books, and counts the keys of what is equal.
func compareBooks(stored, folded *Book) (keys uint64, err error) {
	names := append(stored.Names(), folded.Names()...)
	slices.Sort(names)
	for _, name := range slices.Compact(names) {
		n, err := compareTables(stored, folded, name)
		if err != nil {
			return 0, err
		}
		keys += n
	}
	return keys, nil
}

func compareTables(stored, folded *Book, name string) (keys uint64, err error) {
	path := keyPath([]byte(name))
	for _, b := range []*Book{stored, folded} {
		switch t := b.Table(name).file; {
		case b.view.tx == nil:
		case t == nil && b.view.tx.Bucket(bucketBook).Get([]byte(name)) != nil:
			return 0, bookDiffers(path, "there is a value where a table should be")
		case t != nil && t.Sequence() != 0:
			return 0, bookDiffers(path, "it has a sequence number, which no table is given")
		}
	}
	a, b := stored.Table(name).Cursor(), folded.Table(name).Cursor()
	ka, va := a.First()
	kb, vb := b.First()
	for ; ka != nil || kb != nil; keys++ {
		switch order := bytes.Compare(ka, kb); {
		case kb == nil, ka != nil && order < 0:
			return 0, bookDiffers(path+keyPath(ka), "the log does not yield this key")
		case ka == nil, order > 0:
			return 0, bookDiffers(path+keyPath(kb), "the log yields this key, the book lacks it")
		case va == nil || vb == nil:
			return 0, bookDiffers(path+keyPath(ka), "there is a table where a value should be")
		case !bytes.Equal(va, vb):
			return 0, bookDiffers(path+keyPath(ka), "the value differs from what the log yields")
		}
		ka, va = a.Next()
		kb, vb = b.Next()
	}
	return keys, nil
}

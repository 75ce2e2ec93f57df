package ledger

import (
	"encoding/binary"
	"fmt"
	"os"

	"go.etcd.io/bbolt"
)

// The store follows what a page says about where its keys and values lie, without looking whether that is inside the
// page: a damaged file can have it read whatever stands in memory there, which differs from run to run. Here the file is
// read as bytes instead, and each key and value must lie inside its page.
//
// The layout (go.etcd.io/bbolt, internal/common; numbers in the machine's own order): a page begins with its number (8
// bytes), kind (2), count of elements (2) and of further pages (4). A branch element is position (4), key size (4) and
// page (8); a leaf element is kind (4), position (4), key size (4) and value size (4); positions count from the element.
// A bucket is a leaf element whose value is its root page (8) and sequence (8), and, where that page is 0, a page of its
// own within the value.
const (
	pageHead    = 16
	elementSize = 16
	bucketHead  = 16
	branchPage  = 0x01
	leafPage    = 0x02
	bucketLeaf  = 0x01
)

// pageReader walks the pages that hold the tree of a transaction. Nothing may write meanwhile.
type pageReader struct {
	file  *os.File
	size  int64 // of a page
	pages uint64
	seen  map[uint64]bool
}

// checkElements reads every page that the root of tx leads to and refuses (LEDGER_PAGES) one whose elements lie outside
// of it.
func checkElements(tx *bbolt.Tx) error {
	file, err := os.Open(tx.DB().Path())
	if err != nil {
		return pagesContradict(err)
	}
	defer func() { _ = file.Close() }() // nothing was written
	size := int64(tx.DB().Info().PageSize)
	p := pageReader{file: file, size: size, pages: uint64(tx.Size() / size), seen: map[uint64]bool{}}
	if err := p.page(uint64(tx.Cursor().Bucket().Root())); err != nil {
		return pagesContradict(err)
	}
	return nil
}

// page checks a page and all below it.
func (p *pageReader) page(id uint64) error {
	if id < 2 || id >= p.pages || p.seen[id] {
		return fmt.Errorf("page %d of %d is led to and cannot be, or was before", id, p.pages)
	}
	p.seen[id] = true
	head := make([]byte, pageHead)
	if _, err := p.file.ReadAt(head, int64(id)*p.size); err != nil {
		return fmt.Errorf("page %d: %w", id, err)
	}
	more := uint64(binary.NativeEndian.Uint32(head[12:]))
	if more >= p.pages-id {
		return fmt.Errorf("page %d is said to go on for %d pages of %d", id, more, p.pages)
	}
	whole := make([]byte, (int64(more)+1)*p.size)
	if _, err := p.file.ReadAt(whole, int64(id)*p.size); err != nil {
		return fmt.Errorf("page %d: %w", id, err)
	}
	return p.elements(id, whole)
}

// elements checks what a page holds, which lies in page id of the file or in a value there.
func (p *pageReader) elements(id uint64, page []byte) error {
	if len(page) < pageHead {
		return fmt.Errorf("a bucket in page %d has no page", id)
	}
	kind, count := binary.NativeEndian.Uint16(page[8:]), int(binary.NativeEndian.Uint16(page[10:]))
	if kind != branchPage && kind != leafPage || pageHead+count*elementSize > len(page) {
		return fmt.Errorf("page %d is of kind %d with %d elements", id, kind, count)
	}
	for i := range count {
		at := pageHead + i*elementSize
		element := page[at:]
		word := func(n int) uint64 { return uint64(binary.NativeEndian.Uint32(element[4*n:])) }
		if kind == branchPage {
			if word(0) < elementSize || word(0)+word(1) > uint64(len(element)) {
				return fmt.Errorf("key %d of page %d lies outside of it", i, id)
			}
			if err := p.page(binary.NativeEndian.Uint64(element[8:])); err != nil {
				return err
			}
			continue
		}
		begin, end := word(1)+word(2), word(1)+word(2)+word(3)
		if word(1) < elementSize || end > uint64(len(element)) {
			return fmt.Errorf("element %d of page %d lies outside of it", i, id)
		}
		if word(0)&bucketLeaf == 0 {
			continue
		}
		if err := p.bucket(id, element[begin:end]); err != nil {
			return err
		}
	}
	return nil
}

// bucket checks the root of a bucket, or the page within its value.
func (p *pageReader) bucket(id uint64, value []byte) error {
	if len(value) < bucketHead {
		return fmt.Errorf("a bucket in page %d is cut off", id)
	}
	if root := binary.NativeEndian.Uint64(value); root != 0 {
		return p.page(root)
	}
	return p.elements(id, value[bucketHead:])
}

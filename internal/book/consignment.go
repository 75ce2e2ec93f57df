package book

import (
	"bytes"
	"encoding/binary"
	"strings"

	"barward/internal/ledger"
	pb "barward/proto/barward/v1"
)

// A consignment may have eight thousand bars, and each is received by an entry of its own. So what grows with them is not
// kept in the consignment, which would be written again with each: it lies in rows of its own, in the order of time, and
// is put together when somebody reads the consignment. Its counts and totals are kept in it.
//
// The key of a row is the consignment's name, a zero byte, the entry and a place in it; the value says what the row is.

const consignmentRows = "consignment.rows"

// What a row is, by its first byte; the rest is a name.
const (
	rowBox      = 'x' // a box advised
	rowBar      = 'b' // a bar advised
	rowReceived = 'r' // a bar received
	rowEntry    = 'e' // another entry that it rests on

	rowDiscrepancy = 'd' // a discrepancy that belongs to it
)

// row adds a row to a consignment.
func (s *store) row(consignment string, what byte, name string) {
	key := append([]byte(consignment), 0)
	key = binary.BigEndian.AppendUint64(key, s.seq)
	key = binary.BigEndian.AppendUint16(key, uint16(len(s.rows)))
	s.rows = append(s.rows, mark{string(key), string(what) + name})
}

func (s *store) writeRows(pages *ledger.Book) error {
	if len(s.rows) == 0 {
		return nil
	}
	rows := pages.Table(consignmentRows)
	for _, r := range s.rows {
		if err := rows.Put([]byte(r.key), []byte(r.name)); err != nil {
			return err
		}
	}
	return nil
}

// eachRow visits the rows of a consignment from an entry on, in the order of time, with those of this event.
func (s *store) eachRow(consignment string, from uint64, visit func(entry uint64, what byte, name string)) {
	prefix := append([]byte(consignment), 0)
	see := func(key []byte, value string) {
		if len(key) == len(prefix)+keyLength && value != "" {
			visit(binary.BigEndian.Uint64(key[len(prefix):]), value[0], value[1:])
		}
	}
	c := s.pages.Table(consignmentRows).Cursor()
	k, v := c.Seek(binary.BigEndian.AppendUint64(bytes.Clone(prefix), from))
	for ; bytes.HasPrefix(k, prefix); k, v = c.Next() {
		see(k, string(v))
	}
	for _, r := range s.rows {
		if strings.HasPrefix(r.key, string(prefix)) && s.seq >= from {
			see([]byte(r.key), r.name)
		}
	}
}

// of lists the names of one sort of rows.
func (s *store) of(consignment string, what byte) (names []string) {
	s.eachRow(consignment, 0, func(_ uint64, is byte, name string) {
		if is == what {
			names = append(names, name)
		}
	})
	return names
}

// whole puts a consignment together for its readers.
func (s *store) whole(c *pb.Consignment) {
	c.Bars, c.Received, c.Entries, c.Discrepancies, c.Advised.Boxes = nil, nil, nil, nil, nil
	s.eachRow(c.Name, 0, func(entry uint64, what byte, name string) {
		switch what {
		case rowBox:
			c.Advised.Boxes = append(c.Advised.Boxes, name)
		case rowBar:
			c.Bars = append(c.Bars, name)
		case rowReceived:
			c.Received = append(c.Received, name)
		case rowDiscrepancy:
			c.Discrepancies = append(c.Discrepancies, name)
			return
		}
		if n := len(c.Entries); n == 0 || c.Entries[n-1] != entry {
			c.Entries = append(c.Entries, entry)
		}
	})
}

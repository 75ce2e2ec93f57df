package proof

import (
	"bytes"
	"strings"
	"testing"

	"google.golang.org/protobuf/encoding/protowire"
)

// What parses prints back to the same bytes.
func FuzzParseLeaf(f *testing.F) {
	f.Add([]byte{})
	f.Add(append([]byte{1, 0, 1, 0, 6, 0x4c, 0xfd}, make([]byte, 80)...))
	f.Fuzz(func(t *testing.T, b []byte) {
		l, err := ParseLeaf(b)
		if err != nil {
			wantReason(t, err, "LEAF_MALFORMED")
			return
		}
		back, err := l.Marshal()
		if err != nil || !bytes.Equal(back, b) {
			t.Fatalf("%x parses and prints %x, %v", b, back, err)
		}
	})
}

// What has an envelope has the same one for a reader that follows protobuf's own rule, that the last occurrence of a field
// wins; and signed by that author it opens.
func FuzzOpen(f *testing.F) {
	key := testKey(1)
	f.Add(testEvent(testID, public(key), 0x1a, 1, 'x'))
	f.Add(testEvent(testID, public(key), 0x8a, 0x80, 0x00, 0x01, 'x'))
	f.Add(testEvent(testID, public(key), 0x1b, 0x1c))
	f.Fuzz(func(t *testing.T, event []byte) {
		e, err := ReadEnvelope(event)
		if err != nil {
			return
		}
		var id string
		var author []byte
		for b := event; len(b) > 0; {
			number, kind, n := protowire.ConsumeTag(b)
			if n < 0 {
				t.Fatalf("%x has an envelope and is no protobuf message", event)
			}
			value := b[n:]
			size := protowire.ConsumeFieldValue(number, kind, value)
			if size < 0 {
				t.Fatalf("%x has an envelope and is no protobuf message", event)
			}
			if kind == protowire.BytesType {
				v, _ := protowire.ConsumeBytes(value)
				switch number {
				case 1:
					id = string(v)
				case 2:
					author = v
				}
			}
			b = value[size:]
		}
		if id != e.ID.String() || !bytes.Equal(author, e.Author) || id != strings.ToLower(id) {
			t.Fatalf("%x: we read %s %x, another reader %s %x", event, e.ID, e.Author, id, author)
		}
		if bytes.Equal(e.Author, public(key)) {
			if _, err := Open(Sign(key, event)); err != nil {
				t.Fatalf("%x does not open: %v", event, err)
			}
		}
	})
}

// What parses prints back to the same bytes, and stays so through signing and opening.
func FuzzCheckpoint(f *testing.F) {
	f.Add([]byte("example.com/behind-the-sofa\n20852163\nCsUYapGGPo4dkMgIAUqom/Xajj7h2fB2MPA3j2jxq2I=\n"))
	f.Add([]byte("a\n1\nCsUYapGGPo4dkMgIAUqom/Xajj7h2fB2MPA3j2jxq2I=\nextension\n"))
	s, v := logKey(f, origin)
	f.Fuzz(func(t *testing.T, body []byte) {
		_, _ = OpenCheckpoint(body, origin, v) // must not panic
		c, err := ParseBody(body)
		if err != nil {
			wantReason(t, err, "CHECKPOINT_MALFORMED")
			return
		}
		if !bytes.Equal(c.Marshal(), body) {
			t.Fatalf("%q parses and prints %q", body, c.Marshal())
		}
		signed, err := SignCheckpoint(c, s)
		if err != nil {
			t.Fatalf("%q parses and cannot be signed: %v", body, err)
		}
		if len(signed) > MaxNote {
			return
		}
		if got, err := OpenCheckpoint(signed, c.Origin, v); err != nil || got != c {
			t.Fatalf("%q signed opens as %+v, %v", body, got, err)
		}
	})
}

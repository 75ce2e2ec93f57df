package proof

import (
	"bytes"
	"crypto/ed25519"
	"encoding/hex"
	"strings"
	"testing"
	"time"

	"google.golang.org/protobuf/encoding/protowire"

	"barward/internal/refusal"
)

const testID = "01890a5d-ac96-774b-bcce-b302099a8057" // a UUIDv7, invented

func testKey(b byte) ed25519.PrivateKey {
	return ed25519.NewKeyFromSeed(bytes.Repeat([]byte{b}, ed25519.SeedSize))
}

// testEvent is an event as an independent writer of protobuf makes it.
func testEvent(id string, author []byte, rest ...byte) []byte {
	b := protowire.AppendTag(nil, 1, protowire.BytesType)
	b = protowire.AppendString(b, id)
	b = protowire.AppendTag(b, 2, protowire.BytesType)
	b = protowire.AppendBytes(b, author)
	return append(b, rest...)
}

func public(key ed25519.PrivateKey) []byte { return key.Public().(ed25519.PublicKey) }

func wantReason(t *testing.T, err error, reason string) {
	t.Helper()
	r := refusal.As(err)
	switch {
	case r == nil:
		t.Fatalf("got %v, want the refusal %s", err, reason)
	case r.Reason != reason:
		t.Fatalf("got %s (%s), want %s", r.Reason, r.Text, reason)
	case len(r.Text) < 20:
		t.Fatalf("%s says only %q", reason, r.Text)
	}
}

func unhex(t testing.TB, s string) []byte {
	t.Helper()
	b, err := hex.DecodeString(s)
	if err != nil {
		t.Fatal(err)
	}
	return b
}

// The signature scheme under Sign and Open. Source: RFC 8032 section 7.1, tests 1 to 3, as listed in reference 08 section 4
// (from memory there, checked with a standard library).
func TestEd25519Vectors(t *testing.T) {
	for i, v := range []struct{ seed, public, message, signature string }{
		{"9d61b19deffd5a60ba844af492ec2cc44449c5697b326919703bac031cae7f60",
			"d75a980182b10ab7d54bfed3c964073a0ee172f3daa62325af021a68f707511a", "",
			"e5564300c360ac729086e2cc806e828a84877f1eb8e5d974d873e065224901555fb8821590a33bacc61e39701cf9b46bd25bf5f0595bbe24655141438e7a100b"},
		{"4ccd089b28ff96da9db6c346ec114e0f5b8a319f35aba624da8cf6ed4fb8a6fb",
			"3d4017c3e843895a92b70aa74d1b7ebc9c982ccf2ec4968cc0cd55f12af4660c", "72",
			"92a009a9f0d4cab8720e820b5f642540a2b27b5416503f8fb3762223ebdb69da085ac1e43e15996e458f3613d0f11d8c387b2eaeb4302aeeb00d291612bb0c00"},
		{"c5aa8df43f9f837bedb7442f31dcb7b166d38535076f094b85ce3a2e0b4458f7",
			"fc51cd8e6218a1a38da47ed00230f0580816ed13ba3303ac5deb911548908025", "af82",
			"6291d657deec24024827e69c3abe01a30ce548a284743a445e3680d7db5ac3ac18ff9b538d16f290ae67f760984dc6594a7c15e9716ed28dc027beceea1ec40a"},
	} {
		key := ed25519.NewKeyFromSeed(unhex(t, v.seed))
		if !bytes.Equal(public(key), unhex(t, v.public)) {
			t.Errorf("vector %d: public key %x", i+1, public(key))
		}
		message, signature := unhex(t, v.message), unhex(t, v.signature)
		if got := ed25519.Sign(key, message); !bytes.Equal(got, signature) {
			t.Errorf("vector %d: signature %x", i+1, got)
		}
		// What we sign is the same scheme over purpose and event: the plain function, given both, must accept it.
		event := testEvent(testID, public(key))
		s := Sign(key, event)
		if !ed25519.Verify(unhex(t, v.public), []byte("barward event v1\n"+string(event)), s.Signature) {
			t.Errorf("vector %d: Sign does not sign the purpose and the event", i+1)
		}
		if e, err := Open(s); err != nil || e.ID.String() != testID || !bytes.Equal(e.Author, unhex(t, v.public)) {
			t.Errorf("vector %d: Open gave %v, %v", i+1, e, err)
		}
	}
}

func TestOpenRefuses(t *testing.T) {
	key := testKey(1)
	author := public(key)
	good := testEvent(testID, author, 0x1a, 1, 'x') // field 3: "x"
	if _, err := Open(Sign(key, good)); err != nil {
		t.Fatal(err)
	}
	text := func(number protowire.Number, s string) []byte {
		return protowire.AppendString(protowire.AppendTag(nil, number, protowire.BytesType), s)
	}
	join := func(parts ...[]byte) []byte { return bytes.Join(parts, nil) }
	id, by := text(1, testID), text(2, string(author))
	for name, c := range map[string]struct {
		event  []byte
		reason string
	}{
		"nothing":                    {nil, "EVENT_MALFORMED"},
		"one byte":                   {[]byte{0x0a}, "EVENT_MALFORMED"},
		"not protobuf":               {[]byte("hello, this is no event at all"), "EVENT_MALFORMED"},
		"author first":               {join(by, id), "EVENT_MALFORMED"},
		"no author":                  {id, "EVENT_MALFORMED"},
		"another field between":      {join(id, text(3, "x"), by), "EVENT_MALFORMED"},
		"a second id":                {join(id, by, id), "EVENT_MALFORMED"},
		"a second author":            {join(id, by, text(3, "x"), by), "EVENT_MALFORMED"},
		"a second author, number":    {join(id, by, []byte{0x10, 0x01}), "EVENT_MALFORMED"},
		"a second id, long tag":      {join(id, by, []byte{0x8a, 0x80, 0x00, 0x01, 'x'}), "EVENT_MALFORMED"},
		"long tag first":             {join([]byte{0x8a, 0x00, 36}, []byte(testID), by), "EVENT_MALFORMED"},
		"long length first":          {join([]byte{0x0a, 0xa4, 0x00}, []byte(testID), by), "EVENT_ID_MALFORMED"},
		"long length of author":      {join(id, []byte{0x12, 0xa0, 0x00}, author), "AUTHOR_KEY_MALFORMED"},
		"field number 0":             {join(id, by, []byte{0x02, 0x00}), "EVENT_MALFORMED"},
		"cut in a later field":       {join(id, by, []byte{0x1a, 0x05, 'x'}), "EVENT_MALFORMED"},
		"length beyond everything":   {join(id, by, []byte{0x1a, 0xff, 0xff, 0xff, 0xff, 0xff, 0xff, 0xff, 0xff, 0x7f}), "EVENT_MALFORMED"},
		"a group":                    {join(id, by, []byte{0x1b, 0x1c}), "EVENT_MALFORMED"},
		"a group hides an author":    {join(id, by, []byte{0x1b}, by, []byte{0x1c}), "EVENT_MALFORMED"},
		"id cut":                     {join(text(1, testID[:35]), by), "EVENT_ID_MALFORMED"},
		"id in capitals":             {join(text(1, strings.ToUpper(testID)), by), "EVENT_ID_MALFORMED"},
		"id in braces":               {join(text(1, "{"+testID[:34]+"}"), by), "EVENT_ID_MALFORMED"},
		"id without hyphens":         {join(text(1, strings.ReplaceAll(testID, "-", "")+"abcd"), by), "EVENT_ID_MALFORMED"},
		"id of version 4":            {join(text(1, "01890a5d-ac96-474b-bcce-b302099a8057"), by), "EVENT_ID_MALFORMED"},
		"id of another variant":      {join(text(1, "01890a5d-ac96-774b-0cce-b302099a8057"), by), "EVENT_ID_MALFORMED"},
		"id all zero":                {join(text(1, "00000000-0000-0000-0000-000000000000"), by), "EVENT_ID_MALFORMED"},
		"id is a word":               {join(text(1, "hello"), by), "EVENT_ID_MALFORMED"},
		"author of 31 bytes":         {join(id, text(2, string(author[:31]))), "AUTHOR_KEY_MALFORMED"},
		"author of 33 bytes":         {join(id, text(2, string(author)+"x")), "AUTHOR_KEY_MALFORMED"},
		"author cut":                 {join(id, by)[:60], "AUTHOR_KEY_MALFORMED"},
		"too large":                  {join(good, text(4, strings.Repeat("x", MaxEvent))), "EVENT_TOO_LARGE"},
		"one byte above the largest": {join(good, text(4, strings.Repeat("x", MaxEvent+1-len(good)-4))), "EVENT_TOO_LARGE"},
		"author is no point":         {testEvent(testID, bytes.Repeat([]byte{0xff}, 32)), "SIGNATURE_INVALID"},
		"author is another":          {testEvent(testID, public(testKey(2))), "SIGNATURE_INVALID"},
	} {
		t.Run(name, func(t *testing.T) {
			_, err := Open(Sign(key, c.event))
			wantReason(t, err, c.reason)
		})
	}
	largest := join(good, text(4, strings.Repeat("x", MaxEvent-len(good)-4)))
	if _, err := Open(Sign(key, largest)); err != nil || len(largest) != MaxEvent {
		t.Errorf("an event of %d bytes: %v", len(largest), err)
	}
}

// Every bit of an event and of its signature counts.
func TestEveryBitIsSigned(t *testing.T) {
	key := testKey(1)
	s := Sign(key, testEvent(testID, public(key), 0x1a, 3, 'a', 'b', 'c'))
	for i := range len(s.Event) * 8 {
		event := bytes.Clone(s.Event)
		event[i/8] ^= 1 << (i % 8)
		if _, err := Open(Signed{event, s.Signature}); err == nil {
			t.Errorf("bit %d of the event may be changed", i)
		}
	}
	for i := range len(s.Signature) * 8 {
		signature := bytes.Clone(s.Signature)
		signature[i/8] ^= 1 << (i % 8)
		_, err := Open(Signed{s.Event, signature})
		wantReason(t, err, "SIGNATURE_INVALID")
	}
	for _, signature := range [][]byte{nil, s.Signature[:63], append(bytes.Clone(s.Signature), 0)} {
		_, err := Open(Signed{s.Event, signature})
		wantReason(t, err, "SIGNATURE_INVALID")
	}
	// A signature given without the purpose, or for another, does not pass for one on an event.
	for _, purpose := range []string{"", "barward event v2\n", "barward event v1"} {
		_, err := Open(Signed{s.Event, ed25519.Sign(key, append([]byte(purpose), s.Event...))})
		wantReason(t, err, "SIGNATURE_INVALID")
	}
}

func TestLeaf(t *testing.T) {
	at := time.Date(2026, 3, 14, 15, 9, 26, 535897000, time.UTC)
	signature := bytes.Repeat([]byte{0xab}, 64)
	b, err := Leaf{Rules: 0x0102, RecordedAt: at, Signed: Signed{[]byte("event"), signature}}.Marshal()
	if err != nil {
		t.Fatal(err)
	}
	// By hand: date -u -d 2026-03-14T15:09:26Z +%s is 1773500966; printf %016x 1773500966535897.
	want := "01" + "0102" + "00064cfd5f1e82d9" + strings.Repeat("ab", 64) + hex.EncodeToString([]byte("event"))
	if got := hex.EncodeToString(b); got != want {
		t.Errorf("leaf\n%s, want\n%s", got, want)
	}
	l, err := ParseLeaf(b)
	if err != nil || l.Rules != 0x0102 || !l.RecordedAt.Equal(at) || string(l.Event) != "event" || !bytes.Equal(l.Signature, signature) {
		t.Errorf("read back %v, %v", l, err)
	}
	if l.RecordedAt.Location() != time.UTC {
		t.Errorf("the time is in %v", l.RecordedAt.Location())
	}
	// The framing is unambiguous: the signature does not run into the event when a reader appends to it.
	_ = append(l.Signature, 'X')
	if string(l.Event) != "event" {
		t.Error("appending to the signature changed the event")
	}
	for name, bad := range map[string][]byte{
		"empty": nil, "head cut": b[:74], "framing 0": append([]byte{0}, b[1:]...), "framing 2": append([]byte{2}, b[1:]...),
		"time after 9999": append(append([]byte{1, 0, 1}, micros(253402300800000000)...), b[11:]...),
		"time negative":   append(append([]byte{1, 0, 1}, 0xff, 0xff, 0xff, 0xff, 0xff, 0xff, 0xff, 0xff), b[11:]...),
		"event too large": append(bytes.Clone(b[:75]), make([]byte, MaxEvent+1)...),
	} {
		t.Run(name, func(t *testing.T) {
			_, err := ParseLeaf(bad)
			wantReason(t, err, "LEAF_MALFORMED")
		})
	}
	for name, bad := range map[string]Leaf{
		"no signature":        {RecordedAt: at},
		"signature cut":       {RecordedAt: at, Signed: Signed{nil, signature[:63]}},
		"before 1970":         {RecordedAt: time.Unix(-1, 0), Signed: Signed{nil, signature}},
		"zero time":           {Signed: Signed{nil, signature}},
		"after 9999":          {RecordedAt: time.Date(10000, 1, 1, 0, 0, 0, 0, time.UTC), Signed: Signed{nil, signature}},
		"finer than a micro":  {RecordedAt: at.Add(1), Signed: Signed{nil, signature}},
		"event too large too": {RecordedAt: at, Signed: Signed{make([]byte, MaxEvent+1), signature}},
	} {
		t.Run(name, func(t *testing.T) {
			_, err := bad.Marshal()
			wantReason(t, err, "LEAF_MALFORMED")
		})
	}
}

func micros(n int64) []byte {
	b := make([]byte, 8)
	for i := range b {
		b[i] = byte(n >> (56 - 8*i))
	}
	return b
}

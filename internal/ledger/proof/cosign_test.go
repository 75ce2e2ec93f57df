package proof

import (
	"bytes"
	"crypto/ed25519"
	"crypto/rand"
	"encoding/base64"
	"strconv"
	"strings"
	"testing"
	"time"

	"golang.org/x/mod/sumdb/note"
)

var cosignTime = time.Date(2026, 3, 2, 7, 40, 0, 999, time.UTC) // 1772437200, date -u -d 2026-03-02T07:40:00Z +%s

// signedNote is a checkpoint signed by a new key of the log.
func signedNote(t testing.TB) (body, signed []byte, log Verifier) {
	t.Helper()
	s, v := logKey(t, origin)
	c := Checkpoint{Origin: origin, Size: 7, Root: LeafHash([]byte("x"))}
	signed, err := SignCheckpoint(c, s)
	if err != nil {
		t.Fatal(err)
	}
	return c.Marshal(), signed, v
}

func one(key ed25519.PrivateKey) func(Cosignature) ed25519.PublicKey {
	return func(Cosignature) ed25519.PublicKey { return public(key) }
}

// Source: the example under the heading of C2SP tlog-cosignature.md, without the line break that its text has inside
// the base64. The key is not published there; the time by hand: 0x641850cb is 1679315147, date -u -d @1679315147.
func TestCosignatureVector(t *testing.T) {
	line := "— witness.example.com/w1 jWbPPwAAAABkGFDLEZMHwSRaJNiIDoe9DYn/zXcrtPHeolMI5OWXEhZCB9dlrDJsX3b2oyin1nPZ" +
		"qhf5nNo0xUe+mbIUBkBIfZ+qnA==\n"
	c, err := ParseCosignature(line)
	if err != nil {
		t.Fatal(err)
	}
	want := time.Date(2023, 3, 20, 12, 25, 47, 0, time.UTC)
	if c.Name != "witness.example.com/w1" || c.KeyID != 0x8d66cf3f || !c.At.Equal(want) || c.Line() != line {
		t.Errorf("%+v prints %q", c, c.Line())
	}
	_, err = ParseCosignature("— example.com/behind-the-sofa Az3grlgtzPICa5OS8npVmf1Myq/5IZniMp+ZJurmRDeOoRDe4URYN7u5/" +
		"Zhcyv2q1gGzGku9nTo+zyWE+xeMcTOAYQ8=\n") // the log's own line of the same example
	wantReason(t, err, "COSIGNATURE_MALFORMED")
}

// The line that another implementation wrote is what we write for the same key, name, checkpoint and time, to the byte,
// and we read it. Source: made once with note.NewSignerForCosignatureV1 of github.com/transparency-dev/formats v0.1.1
// (whose post-quantum half needs a module that this one has no other use for), key of 32 bytes 0x03; Ed25519 has no
// chance in it.
func TestCosignatureSecondOpinion(t *testing.T) {
	const (
		name = "ottermere/ann" // invented
		body = "ledger.example/gold-room\n7\nCsUYapGGPo4dkMgIAUqom/Xajj7h2fB2MPA3j2jxq2I=\n"
		line = "— ottermere/ann vFYnrgAAAABrChsNetBeNzDRjSlerxRDVBn3YHkeMau+9UROx5Aqj3NjWFYJYlhLtRLBj3bHDKJYbPBzm4e7JY8bt" +
			"EYQP4HK+3Z2BQ==\n"
		seconds = 1795824397
	)
	key := testKey(3)
	ours, err := Cosign([]byte(body), name, key, time.Unix(seconds, 5))
	if err != nil || ours.Line() != line {
		t.Errorf("ours is %q, %v", ours.Line(), err)
	}
	got, lines, err := SplitNote([]byte(body + "\n" + line))
	if err != nil || len(lines) != 1 || string(got) != body {
		t.Fatalf("%q %q %v", got, lines, err)
	}
	theirs, err := ParseCosignature(lines[0])
	if err != nil || theirs != ours || theirs.KeyID != 0xbc5627ae || theirs.Verify(got, public(key)) != nil {
		t.Errorf("theirs is %+v, %v, %v", theirs, err, theirs.Verify(got, public(key)))
	}
}

// A cosigned checkpoint is still a signed note for the reader of notes that most others use,
// golang.org/x/mod/sumdb/note, and it finds the cosigner's name and key id on it.
func TestCosignedNoteOpens(t *testing.T) {
	body, signed, log := signedNote(t)
	key := testKey(3)
	c, err := Cosign(body, "ottermere/ann", key, cosignTime)
	if err != nil {
		t.Fatal(err)
	}
	with, err := AddCosignatures(signed, one(key), c, c)
	if err != nil {
		t.Fatal(err)
	}
	n, err := note.Open(with, note.VerifierList(log))
	if err != nil || n.Text != string(body) || len(n.Sigs) != 1 || len(n.UnverifiedSigs) != 1 ||
		n.UnverifiedSigs[0].Name != c.Name || n.UnverifiedSigs[0].Hash != c.KeyID {
		t.Fatalf("%+v, %v", n, err)
	}
	if c, err := OpenCheckpoint(with, origin, log); err != nil || c.Size != 7 {
		t.Errorf("cosigned, the checkpoint opens as %+v, %v", c, err)
	}
	again, err := AddCosignatures(with, one(key), c)
	if err != nil || !bytes.Equal(again, with) {
		t.Errorf("the same line is added twice: %q, %v", again, err)
	}
}

// A cosignature holds for one body, one name, one time and one key, and each of its bits counts.
func TestCosignatureBinds(t *testing.T) {
	body, _, _ := signedNote(t)
	key, other := testKey(3), testKey(4)
	good, err := Cosign(body, "ottermere/ann", key, cosignTime)
	if err != nil || good.Verify(body, public(key)) != nil {
		t.Fatal(err)
	}
	invalid := func(what string, c Cosignature, body []byte, key ed25519.PublicKey) {
		t.Helper()
		if c.Verify(body, key) == nil {
			t.Errorf("verifies with %s", what)
		}
	}
	invalid("another key", good, body, public(other))
	invalid("no key", good, body, nil)
	invalid("another size", good, bytes.Replace(body, []byte("\n7\n"), []byte("\n8\n"), 1), public(key))
	invalid("another log", good, bytes.Replace(body, []byte(origin), []byte("ledger.example/other"), 1), public(key))
	invalid("an extension", good, append(bytes.Clone(body), "x\n"...), public(key))
	invalid("no checkpoint", good, []byte("text\n"), public(key))
	for what, change := range map[string]func(*Cosignature){
		"another time": func(c *Cosignature) { c.At = c.At.Add(time.Second) },
		"another name": func(c *Cosignature) {
			c.Name, c.KeyID = "ottermere/bea", CosignKeyID("ottermere/bea",
				public(other))
		},
		"another id": func(c *Cosignature) { c.KeyID++ },
	} {
		c := good
		change(&c)
		invalid(what, c, body, public(key))
	}
	for i := range len(good.Signature) * 8 {
		c := good
		c.Signature[i/8] ^= 1 << (i % 8)
		invalid("bit "+strconv.Itoa(i)+" changed", c, body, public(key))
	}
	// The same key's signatures for other purposes do not pass: a plain note signature, an event's.
	for what, signature := range map[string][]byte{
		"a note signature": ed25519.Sign(key, body), "an event's": Sign(key, body).Signature,
	} {
		c := good
		copy(c.Signature[:], signature)
		invalid(what, c, body, public(key))
	}
	event := testEvent(testID, public(key))
	if _, err := Open(Signed{event, ed25519.Sign(key, cosigned(event, 1))}); err == nil {
		t.Error("a cosignature passes for the signature on an event")
	}
}

// Whatever parses prints back; a second spelling of the same line does not parse.
func TestParseCosignatureIsStrict(t *testing.T) {
	body, _, _ := signedNote(t)
	c, err := Cosign(body, "ottermere/ann", testKey(3), cosignTime)
	if err != nil {
		t.Fatal(err)
	}
	line := c.Line()
	if back, err := ParseCosignature(line); err != nil || back != c {
		t.Fatalf("%+v, %v", back, err)
	}
	found := 0
	for i := range len(line) * 8 { // every bit
		changed := []byte(line)
		changed[i/8] ^= 1 << (i % 8)
		back, err := ParseCosignature(string(changed))
		switch {
		case err != nil:
			wantReason(t, err, "COSIGNATURE_MALFORMED")
			found++
		case back == c:
			t.Errorf("%q is a second spelling", changed)
		case back.Line() != string(changed):
			t.Errorf("%q prints %q", changed, back.Line())
		}
	}
	if found == 0 {
		t.Error("no changed line was malformed")
	}
	raw, _ := base64.StdEncoding.DecodeString(strings.TrimSuffix(strings.Split(line, " ")[2], "\n"))
	spell := func(raw []byte) string { return "— ottermere/ann " + base64.StdEncoding.EncodeToString(raw) + "\n" }
	zero := append(append(bytes.Clone(raw[:4]), make([]byte, 8)...), raw[12:]...)
	late := append(append(bytes.Clone(raw[:4]), bytes.Repeat([]byte{0xff}, 8)...), raw[12:]...)
	for what, bad := range map[string]string{
		"nothing": "", "no newline": strings.TrimSuffix(line, "\n"), "two newlines": line + "\n", "two lines": line + line,
		"carriage return": strings.Replace(line, "\n", "\r\n", 1), "hyphen": strings.Replace(line, "—", "-", 1),
		"no name": "—  " + strings.Split(line, " ")[2], "no padding": strings.Replace(line, "==", "", 1),
		"two spaces": strings.Replace(line, "ann ", "ann  ", 1), "a break in base64": line[:40] + "\n" + line[40:],
		"too short": spell(raw[:75]), "too long": spell(append(bytes.Clone(raw), 0)), "time zero": spell(zero),
		"time late":          spell(late),
		"a plus in the name": strings.Replace(line, "ann", "a+n", 1),
	} {
		t.Run(what, func(t *testing.T) {
			_, err := ParseCosignature(bad)
			wantReason(t, err, "COSIGNATURE_MALFORMED")
		})
	}
}

func TestCosignRefuses(t *testing.T) {
	body, signed, _ := signedNote(t)
	key := testKey(3)
	_, err := Cosign([]byte("text\n"), "a", key, cosignTime)
	wantReason(t, err, "CHECKPOINT_MALFORMED")
	for _, name := range []string{"", "a b", "a+b", "a\nb", strings.Repeat("x", MaxOrigin+1)} {
		_, err = Cosign(body, name, key, cosignTime)
		wantReason(t, err, "COSIGNATURE_MALFORMED")
	}
	for _, at := range []time.Time{{}, time.Unix(0, 0), time.Unix(maxCosignTime+1, 0)} {
		_, err = Cosign(body, "a", key, at)
		wantReason(t, err, "COSIGNATURE_MALFORMED")
	}
	c, err := Cosign(body, "a", key, cosignTime)
	if err != nil {
		t.Fatal(err)
	}
	_, err = AddCosignatures(signed, one(testKey(4)), c)
	wantReason(t, err, "COSIGNATURE_INVALID")
	_, err = AddCosignatures(body, one(key), c)
	wantReason(t, err, "CHECKPOINT_UNREADABLE")
	_, _, err = SplitNote(make([]byte, MaxNote+1))
	wantReason(t, err, "CHECKPOINT_TOO_LARGE")
	s, _ := logKey(t, origin)
	free, err := note.Sign(&note.Note{Text: "an example\n"}, s)
	if err != nil {
		t.Fatal(err)
	}
	_, _, err = SplitNote(free)
	wantReason(t, err, "CHECKPOINT_MALFORMED")
}

func FuzzCosignature(f *testing.F) {
	body, signed, _ := signedNote(f)
	key := testKey(3)
	c, err := Cosign(body, "ottermere/ann", key, cosignTime)
	if err != nil {
		f.Fatal(err)
	}
	f.Add(c.Line())
	f.Add(string(signed))
	f.Fuzz(func(t *testing.T, text string) {
		if c, err := ParseCosignature(text); err == nil && c.Line() != text {
			t.Fatalf("%q parses and prints %q", text, c.Line())
		}
		body, lines, err := SplitNote([]byte(text))
		if err == nil && string(body)+"\n"+strings.Join(lines, "") != text {
			t.Fatalf("%q splits into %q and %q", text, body, lines)
		}
	})
}

func BenchmarkCosignatureVerify(b *testing.B) {
	body := Checkpoint{Origin: origin, Size: 7, Root: LeafHash([]byte("x"))}.Marshal()
	_, key, err := ed25519.GenerateKey(rand.Reader)
	if err != nil {
		b.Fatal(err)
	}
	c, err := Cosign(body, "ottermere/ann", key, cosignTime)
	if err != nil {
		b.Fatal(err)
	}
	for b.Loop() {
		if err := c.Verify(body, public(key)); err != nil {
			b.Fatal(err)
		}
	}
}

package proof

import (
	"crypto/rand"
	"encoding/base64"
	"encoding/hex"
	"errors"
	"strings"
	"testing"

	"github.com/transparency-dev/formats/log"
	"golang.org/x/mod/sumdb/note"
	"golang.org/x/mod/sumdb/tlog"

	"barward/internal/refusal"
)

const origin = "ledger.example/gold-room" // invented

func logKey(t testing.TB, name string) (Signer, Verifier) {
	t.Helper()
	private, public, err := GenerateKey(rand.Reader, name)
	if err != nil {
		t.Fatal(err)
	}
	s, v, err := NewSigner(private + "\n")
	if err != nil {
		t.Fatal(err)
	}
	v2, err := NewVerifier(public + "\n")
	if err != nil || v2.KeyHash() != v.KeyHash() || v2.Name() != v.Name() || s.KeyHash() != v.KeyHash() || s.Name() != name {
		t.Fatalf("the key's halves do not belong together: %v", err)
	}
	return s, v
}

// Source: reference 08 section 2, from C2SP signed-note.md.
func TestSignedNoteVector(t *testing.T) {
	v, err := NewVerifier("example.com/foo+530d903a+AekyeRrm56hApGFkyQR4ZCbV54Id2LKaANYcrnKv3U2k")
	if err != nil {
		t.Fatal(err)
	}
	if v.Name() != "example.com/foo" || v.KeyHash() != 0x530d903a {
		t.Errorf("name %s, key id %08x", v.Name(), v.KeyHash())
	}
	text := "This is an example message.\n"
	line := "— example.com/foo Uw2QOkn8srV1yJGh2VYRlL1Tnagv1YEq6TfXppzi2ONncAlTgK7Ztg1ERYNZXsYjOBH3mFXmRKuwHjG1Yu72IneyaQM=\n"
	n, err := note.Open([]byte(text+"\n"+line), note.VerifierList(v))
	if err != nil || n.Text != text {
		t.Fatalf("%v, %v", n, err)
	}
	// It is a good note and no checkpoint; changed, it is no good note.
	_, err = OpenCheckpoint([]byte(text+"\n"+line), "example.com/foo", v)
	wantReason(t, err, "CHECKPOINT_MALFORMED")
	_, err = OpenCheckpoint([]byte("that"+text[4:]+"\n"+line), "example.com/foo", v)
	wantReason(t, err, "CHECKPOINT_SIGNATURE_INVALID")
}

// Source: reference 08 section 3, the example body of C2SP tlog-checkpoint.md.
func TestCheckpointBodyVector(t *testing.T) {
	body := "example.com/behind-the-sofa\n20852163\nCsUYapGGPo4dkMgIAUqom/Xajj7h2fB2MPA3j2jxq2I=\n"
	c, err := ParseBody([]byte(body))
	if err != nil {
		t.Fatal(err)
	}
	// The hash in hex: printf CsUY… | base64 -d | xxd -p
	if c.Origin != "example.com/behind-the-sofa" || c.Size != 20852163 ||
		hex.EncodeToString(c.Root[:]) != "0ac5186a91863e8e1d90c808014aa89bf5da8e3ee1d9f07630f0378f68f1ab62" {
		t.Errorf("%+v", c)
	}
	if string(c.Marshal()) != body {
		t.Errorf("prints %q", c.Marshal())
	}
}

// Checkpoints that we sign are read by a parser we did not write, and the other way round.
func TestCheckpointSecondOpinion(t *testing.T) {
	s, v := logKey(t, origin)
	c := Checkpoint{Origin: origin, Size: 7, Root: LeafHash([]byte("x"))}
	signed, err := SignCheckpoint(c, s)
	if err != nil {
		t.Fatal(err)
	}
	theirs, rest, _, err := log.ParseCheckpoint(signed, origin, v)
	if err != nil || theirs.Origin != origin || theirs.Size != 7 || Hash(theirs.Hash) != c.Root || len(rest) != 0 {
		t.Errorf("theirs of ours: %+v %q %v", theirs, rest, err)
	}
	written, err := note.Sign(&note.Note{Text: string(log.Checkpoint{Origin: origin, Size: 9, Hash: c.Root[:]}.Marshal())}, s)
	if err != nil {
		t.Fatal(err)
	}
	ours, err := OpenCheckpoint(written, origin, v)
	if err != nil || ours != (Checkpoint{Origin: origin, Size: 9, Root: c.Root}) {
		t.Errorf("ours of theirs: %+v %v", ours, err)
	}
}

func TestOpenCheckpoint(t *testing.T) {
	s, v := logKey(t, origin)
	witness, _ := logKey(t, "witness.example")
	impostor, _ := logKey(t, origin) // same name, another key
	c := Checkpoint{Origin: origin, Size: 3, Root: LeafHash([]byte("x")), Extensions: "a line\nanother\n"}
	sign := func(text string, signers ...note.Signer) []byte {
		signed, err := note.Sign(&note.Note{Text: text}, signers...)
		if err != nil {
			t.Fatal(err)
		}
		return signed
	}
	body := string(c.Marshal())
	for name, signed := range map[string][]byte{
		"signed":                  sign(body, s),
		"with a witness":          sign(body, s, witness),
		"witness first":           sign(body, witness, s),
		"with an unknown own key": sign(body, impostor, s),
	} {
		if got, err := OpenCheckpoint(signed, origin, v); err != nil || got != c {
			t.Errorf("%s: %+v, %v", name, got, err)
		}
	}
	// 16 unknown signatures and more are borne.
	many := []note.Signer{s}
	for range 20 {
		other, _ := logKey(t, "witness.example")
		many = append(many, other)
	}
	if _, err := OpenCheckpoint(sign(body, many...), origin, v); err != nil {
		t.Errorf("with 20 witnesses: %v", err)
	}
	good := string(sign(body, s))
	for name, bad := range map[string]struct {
		signed []byte
		reason string
	}{
		"nothing":          {nil, "CHECKPOINT_UNREADABLE"},
		"no signature":     {[]byte(body), "CHECKPOINT_UNREADABLE"},
		"carriage returns": {[]byte(strings.ReplaceAll(good, "\n", "\r\n")), "CHECKPOINT_UNREADABLE"},
		"no last newline":  {[]byte(good[:len(good)-1]), "CHECKPOINT_UNREADABLE"},
		"not UTF-8":        {[]byte(good + "\xff"), "CHECKPOINT_UNREADABLE"},
		"hyphen for dash":  {[]byte(strings.Replace(good, "—", "-", 1)), "CHECKPOINT_UNREADABLE"},
		"size changed":     {[]byte(strings.Replace(good, "\n3\n", "\n4\n", 1)), "CHECKPOINT_SIGNATURE_INVALID"},
		"only a witness":   {sign(body, witness), "CHECKPOINT_UNSIGNED"},
		"only an impostor": {sign(body, impostor), "CHECKPOINT_UNSIGNED"},
		"another origin":   {sign(strings.Replace(body, origin, "ledger.example/other", 1), s), "CHECKPOINT_ORIGIN"},
		"malformed":        {sign("x\ny\n", s), "CHECKPOINT_MALFORMED"},
		"too large":        {sign(body+strings.Repeat("x\n", MaxNote/2), s), "CHECKPOINT_TOO_LARGE"},
	} {
		t.Run(name, func(t *testing.T) {
			_, err := OpenCheckpoint(bad.signed, origin, v)
			wantReason(t, err, bad.reason)
		})
	}
}

func TestParseBodyIsStrict(t *testing.T) {
	root := base64.StdEncoding.EncodeToString(make([]byte, 32))
	good := origin + "\n5\n" + root + "\n"
	if _, err := ParseBody([]byte(good)); err != nil {
		t.Fatal(err)
	}
	for name, bad := range map[string]string{
		"empty":                  "",
		"two lines":              origin + "\n5\n",
		"last newline missing":   good[:len(good)-1],
		"origin empty":           "\n5\n" + root + "\n",
		"origin with a space":    "a log\n5\n" + root + "\n",
		"origin too long":        strings.Repeat("x", MaxOrigin+1) + "\n5\n" + root + "\n",
		"size with zero":         origin + "\n05\n" + root + "\n",
		"size with plus":         origin + "\n+5\n" + root + "\n",
		"size negative":          origin + "\n-5\n" + root + "\n",
		"size in hex":            origin + "\n0x5\n" + root + "\n",
		"size with space":        origin + "\n5 \n" + root + "\n",
		"size empty":             origin + "\n\n" + root + "\n",
		"size above 64 bits":     origin + "\n18446744073709551616\n" + root + "\n",
		"size above the bound":   origin + "\n281474976710657\n" + root + "\n",
		"root cut":               origin + "\n5\n" + root[:40] + "\n",
		"root of 31 bytes":       origin + "\n5\n" + base64.StdEncoding.EncodeToString(make([]byte, 31)) + "\n",
		"root of 33 bytes":       origin + "\n5\n" + base64.StdEncoding.EncodeToString(make([]byte, 33)) + "\n",
		"root unpadded":          origin + "\n5\n" + strings.TrimRight(root, "=") + "\n",
		"root with spare bits":   origin + "\n5\n" + strings.Replace(root, "A=", "B=", 1) + "\n",
		"root in URL alphabet":   origin + "\n5\n" + strings.Replace(root, "A", "_", 1) + "\n",
		"empty extension":        good + "\n",
		"control in extension":   good + "a\tb\n",
		"empty tree, other root": origin + "\n0\n" + root + "\n",
	} {
		t.Run(name, func(t *testing.T) {
			_, err := ParseBody([]byte(bad))
			wantReason(t, err, "CHECKPOINT_MALFORMED")
		})
	}
	s, _ := logKey(t, origin)
	for name, bad := range map[string]Checkpoint{
		"no origin": {Size: 1}, "origin of two lines": {Origin: "a\nb", Size: 1}, "size": {Origin: origin, Size: MaxTree + 1},
		"extension without end": {Origin: origin, Size: 1, Extensions: "x"}, "empty tree": {Origin: origin},
	} {
		if _, err := SignCheckpoint(bad, s); err == nil {
			t.Errorf("%s: signed", name)
		}
	}
}

func TestKeys(t *testing.T) {
	for _, name := range []string{"", "a b", "a+b", "a\nb", "a\x00b", "a\u00a0b", "a\xff", strings.Repeat("x", 256)} {
		_, _, err := GenerateKey(rand.Reader, name)
		wantReason(t, err, "ORIGIN_MALFORMED")
	}
	// Names that look like parts of the format.
	for _, name := range []string{"KEY", "PRIVATE", "a", strings.Repeat("x", MaxOrigin), "журнал.example"} {
		logKey(t, name)
	}
	private, public, err := GenerateKey(rand.Reader, origin)
	if err != nil {
		t.Fatal(err)
	}
	for name, bad := range map[string]string{
		"empty": "", "the public one": public, "cut": private[:len(private)-3], "hash changed": strings.Replace(private, origin+"+", origin+"+0", 1),
		"renamed": strings.Replace(private, origin, "other.example", 1), "two lines": private + "\n\n",
	} {
		_, _, err := NewSigner(bad)
		wantReason(t, err, "LOG_KEY_MALFORMED")
		if secret := private[len(private)-20:]; strings.Contains(err.Error(), secret) || strings.Contains(causes(err), secret) {
			t.Errorf("%s: the refusal shows the key", name)
		}
	}
	for _, bad := range []string{"", private, public[:len(public)-3], "x" + public, public + "\n\n"} {
		_, err := NewVerifier(bad)
		wantReason(t, err, "LOG_KEY_MALFORMED")
	}
	if _, _, err := GenerateKey(noChance{}, origin); err != nil && refusal.As(err) != nil {
		t.Errorf("an error of the source of chance became the refusal %v", err)
	}
}

type noChance struct{}

func (noChance) Read([]byte) (int, error) { return 0, errors.New("no chance") }

func causes(err error) (s string) {
	for ; err != nil; err = errors.Unwrap(err) {
		s += err.Error() + "\n"
	}
	return s
}

func TestWatcher(t *testing.T) {
	s, v := logKey(t, origin)
	leaves, at, stored := testTree(t)
	w := Watcher{Origin: origin, Verifier: v}
	sign := func(size int, root Hash) []byte {
		signed, err := SignCheckpoint(Checkpoint{Origin: origin, Size: uint64(size), Root: root}, s)
		if err != nil {
			t.Fatal(err)
		}
		return signed
	}
	prove := func(old, size int) []Hash {
		if old == 0 {
			return nil
		}
		path, err := tlog.ProveTree(int64(size), int64(old), stored)
		if err != nil {
			t.Fatal(err)
		}
		return path
	}
	// An honest log from the empty tree on, in uneven steps, asked twice at each.
	var last *Checkpoint
	previous := 0
	for _, size := range []int{0, 1, 2, 3, 7, 8, 9, 64, 65, 100} {
		for range 2 {
			next, err := w.Advance(last, sign(size, at[size].Root), prove(previous, size))
			if err != nil || next.Size != uint64(size) || next.Root != at[size].Root {
				t.Fatalf("%d to %d: %+v, %v", previous, size, next, err)
			}
			last, previous = &next, size
		}
	}
	seen := func(size int) *Checkpoint {
		return &Checkpoint{Origin: origin, Size: uint64(size), Root: at[size].Root}
	}
	// The forged log differs in leaf 10.
	var forged Frontier
	roots := []Hash{forged.Root()}
	for n, leaf := range leaves {
		if n == 10 {
			leaf = LeafHash([]byte("forged"))
		}
		forged.Append(nil, leaf)
		roots = append(roots, forged.Root())
	}
	for name, c := range map[string]struct {
		last   *Checkpoint
		signed []byte
		path   []Hash
		reason string
	}{
		"rolled back by one":       {seen(50), sign(49, at[49].Root), nil, "LOG_ROLLED_BACK"},
		"rolled back to nothing":   {seen(1), sign(0, at[0].Root), nil, "LOG_ROLLED_BACK"},
		"rolled back, forged":      {seen(50), sign(30, roots[30]), nil, "LOG_ROLLED_BACK"},
		"same size, other tree":    {seen(50), sign(50, roots[50]), nil, "LOG_FORKED"},
		"grown from another tree":  {seen(50), sign(60, roots[60]), prove(50, 60), "LOG_FORKED"},
		"grown without proof":      {seen(50), sign(60, at[60].Root), nil, "LOG_FORKED"},
		"grown with another proof": {seen(50), sign(60, at[60].Root), prove(49, 60), "LOG_FORKED"},
		"same tree, idle proof":    {seen(50), sign(50, at[50].Root), prove(49, 50), "LOG_FORKED"},
		"proof without bounds":     {seen(50), sign(60, at[60].Root), make([]Hash, 1000), "PROOF_TOO_LARGE"},
		"remembered of another":    {&Checkpoint{Origin: "other.example", Size: 1}, sign(60, at[60].Root), nil, "CHECKPOINT_ORIGIN"},
		"unreadable":               {seen(50), []byte("x"), nil, "CHECKPOINT_UNREADABLE"},
		"first sight unreadable":   {nil, []byte("x"), nil, "CHECKPOINT_UNREADABLE"},
	} {
		t.Run(name, func(t *testing.T) {
			_, err := w.Advance(c.last, c.signed, c.path)
			wantReason(t, err, c.reason)
			if r := refusal.As(err); strings.HasPrefix(c.reason, "LOG_") && (r.Kind != refusal.DataLoss || r.Values["old_root"] == "") {
				t.Errorf("the alarm is of kind %v and says %v", r.Kind, r.Values)
			}
		})
	}
}

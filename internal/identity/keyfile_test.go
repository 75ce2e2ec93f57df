package identity

import (
	"bytes"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"runtime"
	"strings"
	"sync"
	"testing"

	"filippo.io/age"
	"filippo.io/age/armor"

	"barward/internal/refusal"
)

const (
	cheap  = minWorkFactor // milliseconds for each try
	phrase = "quiet lamp over umbrivane"
	person = "Ottilie Varnhask (gold room)" // invented
)

func saved(t testing.TB, key Key) string {
	t.Helper()
	path := filepath.Join(t.TempDir(), "person.key")
	if err := SaveKey(path, key, person, phrase, cheap); err != nil {
		t.Fatal(err)
	}
	return path
}

func TestKeyFileRoundTrip(t *testing.T) {
	key := testKey(t, 2)
	path := saved(t, key)
	back, who, err := LoadKey(path, phrase)
	if err != nil || who != person || !bytes.Equal(back.Private(), key.Private()) {
		t.Fatalf("%v of %q, %v", back, who, err)
	}
	info, err := os.Stat(path)
	if err != nil || info.Mode().Perm() != 0o600 {
		t.Errorf("mode %v, %v", info.Mode(), err)
	}
	content, err := os.ReadFile(path)
	if err != nil || !bytes.HasPrefix(content, []byte("-----BEGIN AGE ENCRYPTED FILE-----\n")) {
		t.Errorf("it does not begin as the text form of age does: %.40s, %v", content, err)
	}
	if bytes.Contains(content, []byte("Ottilie")) {
		t.Error("the person shows in the sealed file")
	}
	wantOnly(t, filepath.Dir(path), "person.key")
	other := filepath.Join(t.TempDir(), "again.key")
	if err := SaveKey(other, key, person, phrase, cheap); err != nil {
		t.Fatal(err)
	}
	if again, _ := os.ReadFile(other); bytes.Equal(content, again) {
		t.Error("two files of one key are equal: there is no salt in them")
	}
}

// wantOnly checks that folder holds these files and no drafts.
func wantOnly(t testing.TB, folder string, names ...string) {
	t.Helper()
	entries, err := os.ReadDir(folder)
	if err != nil {
		t.Fatal(err)
	}
	var found []string
	for _, e := range entries {
		found = append(found, e.Name())
	}
	if fmt.Sprint(found) != fmt.Sprint(names) {
		t.Errorf("the folder holds %v, want %v", found, names)
	}
}

func TestSaveKeyNeverOverwrites(t *testing.T) {
	path := saved(t, testKey(t, 1))
	before, _ := os.ReadFile(path)
	wantReason(t, SaveKey(path, testKey(t, 2), person, phrase, cheap), "KEY_FILE_EXISTS")
	if after, _ := os.ReadFile(path); !bytes.Equal(before, after) {
		t.Error("the file changed")
	}
	wantOnly(t, filepath.Dir(path), "person.key")

	// Eight at once: one wins, whole, and the others are told.
	race := filepath.Join(t.TempDir(), "race.key")
	errs := make([]error, 8)
	var wg sync.WaitGroup
	for i := range errs {
		wg.Go(func() { errs[i] = SaveKey(race, testKey(t, 1+i%3), fmt.Sprint("person ", i), phrase, cheap) })
	}
	wg.Wait()
	won := -1
	for i, err := range errs {
		if err == nil && won >= 0 {
			t.Errorf("%d and %d both won", won, i)
		} else if err == nil {
			won = i
		} else {
			wantReason(t, err, "KEY_FILE_EXISTS")
		}
	}
	if _, who, err := LoadKey(race, phrase); err != nil || who != fmt.Sprint("person ", won) {
		t.Errorf("%d won, the file is of %q: %v", won, who, err)
	}
	wantOnly(t, filepath.Dir(race), "race.key")
}

func TestSaveKeyRefuses(t *testing.T) {
	folder := t.TempDir()
	path := filepath.Join(folder, "k")
	key := testKey(t, 1)
	for _, tt := range []struct {
		err    error
		reason string
	}{
		{SaveKey(path, Key{}, person, phrase, cheap), "KEY_MISSING"},
		{SaveKey(path, key, person, "", cheap), "PASSPHRASE_LENGTH"},
		{SaveKey(path, key, person, "sevench", cheap), "PASSPHRASE_LENGTH"},
		{SaveKey(path, key, person, strings.Repeat("a", 1025), cheap), "PASSPHRASE_LENGTH"},
		{SaveKey(path, key, person, "tab\tinside it", cheap), "PASSPHRASE_MALFORMED"},
		{SaveKey(path, key, person, "bad \xff utf-8 here", cheap), "PASSPHRASE_MALFORMED"},
		{SaveKey(path, key, "", phrase, cheap), "KEY_LABEL"},
		{SaveKey(path, key, "two\nlines", phrase, cheap), "KEY_LABEL"},
		{SaveKey(path, key, strings.Repeat("a", 201), phrase, cheap), "KEY_LABEL"},
		{SaveKey(path, key, person, phrase, 0), "KEY_WORK_FACTOR"},
		{SaveKey(path, key, person, phrase, 9), "KEY_WORK_FACTOR"},
		{SaveKey(path, key, person, phrase, 21), "KEY_WORK_FACTOR"},
		{SaveKey(filepath.Join(folder, "none", "k"), key, person, phrase, cheap), "KEY_FILE_NOT_WRITTEN"},
	} {
		wantReason(t, tt.err, tt.reason)
	}
	wantOnly(t, folder)
	// Eight characters, not bytes, are enough.
	if err := SaveKey(path, key, person, "éèêëàâäô", cheap); err != nil {
		t.Error(err)
	}
}

func TestLoadKeyRefuses(t *testing.T) {
	folder := t.TempDir()
	_, _, err := LoadKey(filepath.Join(folder, "none"), phrase)
	wantReason(t, err, "KEY_FILE_NOT_FOUND")
	_, _, err = LoadKey(folder, phrase)
	wantReason(t, err, "KEY_FILE_UNREADABLE")

	path := saved(t, testKey(t, 1))
	for _, wrong := range []string{"", "quiet lamp over umbrivan", "Quiet lamp over umbrivane", phrase + " ", "\x00"} {
		_, _, err = LoadKey(path, wrong)
		wantReason(t, err, "KEY_PASSPHRASE_WRONG")
	}
	good, _ := os.ReadFile(path)
	for name, content := range map[string][]byte{
		"empty": {}, "text": []byte("hello"), "cut": good[:len(good)/2], "last line gone": good[:len(good)-40],
		"twice": append(bytes.Clone(good), good...), "too long": append(bytes.Clone(good), make([]byte, maxKeyFile)...),
		"zeroes": make([]byte, 400),
	} {
		bad := filepath.Join(folder, name)
		if err := os.WriteFile(bad, content, 0o600); err != nil {
			t.Fatal(err)
		}
		_, _, err := LoadKey(bad, phrase)
		if !refusal.Is(err, "KEY_FILE_UNREADABLE") {
			t.Errorf("%s: %v", name, err)
		}
	}
	if runtime.GOOS != "windows" {
		for _, mode := range []os.FileMode{0o640, 0o604, 0o660, 0o644, 0o610, 0o666} {
			if err := os.Chmod(path, mode); err != nil {
				t.Fatal(err)
			}
			_, _, err := LoadKey(path, phrase)
			wantReason(t, err, "KEY_FILE_OPEN_TO_OTHERS")
		}
		if err := os.Chmod(path, 0o400); err != nil {
			t.Fatal(err)
		}
		if _, _, err := LoadKey(path, phrase); err != nil {
			t.Errorf("a file that only its owner may read: %v", err)
		}
	}
}

// sealText seals any text as a key file is sealed, with the library alone.
func sealText(t testing.TB, text string, recipient age.Recipient) []byte {
	t.Helper()
	var out bytes.Buffer
	lines := armor.NewWriter(&out)
	w, err := age.Encrypt(lines, recipient)
	if err != nil {
		t.Fatal(err)
	}
	_, err = io.WriteString(w, text)
	if err := errors.Join(err, w.Close(), lines.Close()); err != nil {
		t.Fatal(err)
	}
	return out.Bytes()
}

// What opens with the right passphrase but is no key is refused, and no part of it shows in the refusal.
func TestSealedRubbish(t *testing.T) {
	recipient, err := age.NewScryptRecipient(phrase)
	if err != nil {
		t.Fatal(err)
	}
	recipient.SetWorkFactor(cheap)
	v := rfc8032[0]
	good := `{"format":"barward key v1","person":"P","key":"` + v.public + `","seed":"` + v.seed + `"}`
	if _, _, err := openKey(sealText(t, good, recipient), phrase); err != nil {
		t.Fatalf("the good one is refused: %v", err)
	}
	for name, text := range map[string]string{
		"empty": "", "not JSON": v.seed, "another format": strings.Replace(good, "v1", "v2", 1),
		"another public key": strings.Replace(good, v.public, rfc8032[1].public, 1),
		"short seed":         strings.Replace(good, v.seed, v.seed[:62], 1),
		"seed not hex":       strings.Replace(good, v.seed, "zz"+v.seed[2:], 1),
		"unknown field":      strings.Replace(good, `"person"`, `"extra":"`+v.seed+`","person"`, 1),
		"seed a number":      strings.Replace(good, `"`+v.seed+`"`, "12", 1),
		"person of lines":    strings.Replace(good, `"P"`, `"P\nQ"`, 1),
		"too long":           good + strings.Repeat(" ", maxKeyFile),
	} {
		_, _, err := openKey(sealText(t, text, recipient), phrase)
		if !refusal.Is(err, "KEY_FILE_UNREADABLE") {
			t.Errorf("%s: %v", name, err)
		}
		wantNothingSecret(t, err, mustHex(v.seed))
	}
	// Sealed to a key pair instead of a passphrase: no passphrase would ever open it.
	pair, err := age.GenerateX25519Identity()
	if err != nil {
		t.Fatal(err)
	}
	_, _, err = openKey(sealText(t, good, pair.Recipient()), phrase)
	wantReason(t, err, "KEY_FILE_UNREADABLE")
	// A work factor that would keep the client busy for minutes is refused before the work is done.
	recipient.SetWorkFactor(cheap)
	slow := sealText(t, good, recipient)
	var raw bytes.Buffer
	if _, err := io.Copy(&raw, armor.NewReader(bytes.NewReader(slow))); err != nil {
		t.Fatal(err)
	}
	var out bytes.Buffer
	w := armor.NewWriter(&out)
	_, err = w.Write(bytes.Replace(raw.Bytes(), fmt.Appendf(nil, " %d\n", cheap), fmt.Appendf(nil, " %d\n", maxWorkFactor+1), 1))
	if err := errors.Join(err, w.Close()); err != nil {
		t.Fatal(err)
	}
	_, _, err = openKey(out.Bytes(), phrase)
	if !refusal.Is(err, "KEY_FILE_UNREADABLE") || !strings.Contains(fmt.Sprint(errors.Unwrap(err)), "work factor too large") {
		t.Errorf("a work factor of %d: %v, because %v", maxWorkFactor+1, err, errors.Unwrap(err))
	}
}

// wantNothingSecret looks through an error with all of its causes.
func wantNothingSecret(t testing.TB, err error, seed []byte) {
	t.Helper()
	text := fmt.Sprintf("%v %+v", err, err)
	for cause := err; cause != nil; cause = errors.Unwrap(cause) {
		text += fmt.Sprintf(" %v %+v %#v", cause, cause, cause)
	}
	for name, secret := range secretForms(seed) {
		if strings.Contains(text, secret) {
			t.Errorf("the seed shows as %s in an error", name)
		}
	}
	if strings.Contains(text, phrase) || strings.Contains(text, "umbrivane") {
		t.Errorf("the passphrase shows in an error: %s", text)
	}
}

// One bit of every fifth byte, walking through all eight positions (each try costs a derivation): the file is refused,
// or, where the change was in blanks around it, gives the same key. Never another key, another person, or a panic.
func TestKeyFileFlippedBits(t *testing.T) {
	key := testKey(t, 1)
	sealed, err := sealKey(key, person, phrase, cheap)
	if err != nil {
		t.Fatal(err)
	}
	refused, tried := 0, 0
	for i := len(sealed) - 1; i >= 0; i -= 5 { // from the end, to meet the last newline
		tried++
		flipped := bytes.Clone(sealed)
		flipped[i] ^= 1 << (i % 8)
		got, who, err := openKey(flipped, phrase)
		if err == nil {
			if !bytes.Equal(got.Private(), key.Private()) || who != person {
				t.Fatalf("byte %d changed what is inside", i)
			}
			if !bytes.Equal(bytes.TrimSpace(flipped), bytes.TrimSpace(sealed)) {
				t.Errorf("byte %d is not a blank around the file, and its change was not found", i)
			}
			continue
		}
		refused++
		if !refusal.Is(err, "KEY_FILE_UNREADABLE") && !refusal.Is(err, "KEY_PASSPHRASE_WRONG") {
			t.Fatalf("byte %d: %v", i, err)
		}
		wantNothingSecret(t, err, key.Private().Seed())
	}
	if refused < tried-2 {
		t.Errorf("%d of %d changes were refused", refused, tried)
	}
}

func TestChangePassphrase(t *testing.T) {
	key := testKey(t, 3)
	path := saved(t, key)
	before, _ := os.ReadFile(path)
	const renewed = "nine herons wait"
	wantReason(t, ChangePassphrase(path, "wrong one here", renewed, cheap), "KEY_PASSPHRASE_WRONG")
	wantReason(t, ChangePassphrase(path, phrase, "short", cheap), "PASSPHRASE_LENGTH")
	if after, _ := os.ReadFile(path); !bytes.Equal(before, after) {
		t.Error("a refused change altered the file")
	}
	if err := ChangePassphrase(path, phrase, renewed, cheap); err != nil {
		t.Fatal(err)
	}
	if _, _, err := LoadKey(path, phrase); !refusal.Is(err, "KEY_PASSPHRASE_WRONG") {
		t.Errorf("the old passphrase: %v", err)
	}
	back, who, err := LoadKey(path, renewed)
	if err != nil || who != person || back.ID() != key.ID() {
		t.Errorf("the new passphrase: %v", err)
	}
	if info, err := os.Stat(path); err != nil || info.Mode().Perm() != 0o600 {
		t.Errorf("mode %v, %v", info, err)
	}
	wantOnly(t, filepath.Dir(path), "person.key")
}

// A pipe in place of the file must not make the client wait for a writer that never comes.
func TestKeyFileIsAPipe(t *testing.T) {
	path := filepath.Join(t.TempDir(), "pipe")
	if err := makePipe(path); err != nil {
		t.Skip("no named pipes here: ", err)
	}
	_, _, err := LoadKey(path, phrase)
	wantReason(t, err, "KEY_FILE_UNREADABLE")
}

package evidence

import (
	"archive/zip"
	"bytes"
	"encoding/hex"
	"io"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"golang.org/x/mod/sumdb/tlog"

	"barward/internal/ledger/proof"
	"barward/internal/refusal"
)

func proveTree(size, old uint64, w *world) ([]proof.Hash, error) {
	return tlog.ProveTree(int64(size), int64(old), w.reader())
}

// rezip packs the members of a file with the usual writer of ZIP files; how sets what one may choose.
func rezip(t *testing.T, file []byte, how func(*zip.FileHeader), comment string, order func([]member)) []byte {
	t.Helper()
	members, err := unpack(file)
	if err != nil {
		t.Fatal(err)
	}
	members = slices.Clone(members)
	if order != nil {
		order(members)
	}
	var out bytes.Buffer
	z := zip.NewWriter(&out)
	for _, m := range members {
		head := &zip.FileHeader{Name: m.name, Method: zip.Store}
		how(head)
		inside, err := z.CreateHeader(head)
		if err != nil {
			t.Fatal(err)
		}
		if _, err := inside.Write(m.data); err != nil {
			t.Fatal(err)
		}
	}
	if err := z.SetComment(comment); err != nil {
		t.Fatal(err)
	}
	if err := z.Close(); err != nil {
		t.Fatal(err)
	}
	return out.Bytes()
}

// One pack, one encoding: whatever else holds the same members is refused.
func TestOneEncoding(t *testing.T) {
	w := gold(t)
	file := w.write(w.pack(goldBar, "quillmoss/ibbet"))
	nothing := func(*zip.FileHeader) {}
	end := len(file) - 22 // the end of central directory, without a comment
	for name, bad := range map[string][]byte{
		"nothing":       nil,
		"a byte after":  append(bytes.Clone(file), 0),
		"a byte before": append([]byte{0}, file...),
		"twice":         append(bytes.Clone(file), file...),
		"packed again":  rezip(t, file, nothing, "", nil),
		"compressed":    rezip(t, file, func(h *zip.FileHeader) { h.Method = zip.Deflate }, "", nil),
		"another time": rezip(t, file, func(h *zip.FileHeader) {
			h.Modified = time.Date(2025, 3, 1, 0, 0, 0, 0,
				time.UTC)
		}, "", nil),
		"extra fields":          rezip(t, file, func(h *zip.FileHeader) { h.Extra = []byte{0xfe, 0xca, 0, 0} }, "", nil),
		"a comment":             rezip(t, file, nothing, "hello", nil),
		"a comment on a file":   rezip(t, file, func(h *zip.FileHeader) { h.Comment = "x" }, "", nil),
		"another order":         rezip(t, file, nothing, "", func(m []member) { m[0], m[1] = m[1], m[0] }),
		"a name twice":          rezip(t, file, nothing, "", func(m []member) { m[1] = m[0] }),
		"a hole before the end": append(append(bytes.Clone(file[:end]), 0), file[end:]...),
	} {
		t.Run(name, func(t *testing.T) {
			_, err := Read(bad)
			wantReason(t, err, "EVIDENCE_CONTAINER")
		})
	}
	for cut := range len(file) { // every truncation
		if _, err := Read(file[:cut]); err == nil {
			t.Fatalf("cut to %d of %d bytes it is read", cut, len(file))
		}
	}
	_, err := Read(make([]byte, MaxPack+1))
	wantReason(t, err, "EVIDENCE_TOO_LARGE")
	// Members in our own encoding, but in another order.
	members, err := unpack(file)
	if err != nil {
		t.Fatal(err)
	}
	slices.Reverse(members)
	if bad, err := pack(members); err != nil {
		t.Fatal(err)
	} else if _, err := Read(bad); !refusal.Is(err, "EVIDENCE_CONTAINER") {
		t.Errorf("in reverse order: %v", err)
	}
}

// The container is a ZIP file for readers that we did not write.
func TestOthersReadTheContainer(t *testing.T) {
	w := gold(t)
	file := w.write(w.pack(goldBar, "quillmoss/ibbet"))
	r, err := zip.NewReader(bytes.NewReader(file), int64(len(file)))
	if err != nil {
		t.Fatal(err)
	}
	for _, f := range r.File {
		if f.Modified.Year() != 1980 && f.ModifiedDate != 1<<5|1 {
			t.Errorf("%s has the time %v", f.Name, f.Modified)
		}
		in, err := f.Open()
		if err != nil {
			t.Fatal(err)
		}
		if _, err := io.Copy(io.Discard, in); err != nil { // checks the CRC
			t.Errorf("%s: %v", f.Name, err)
		}
	}
	tool, err := exec.LookPath("unzip")
	if err != nil {
		t.Log("no unzip here; only archive/zip has read it")
		return
	}
	path := filepath.Join(t.TempDir(), "pack.zip")
	if err := os.WriteFile(path, file, 0o600); err != nil {
		t.Fatal(err)
	}
	if said, err := exec.Command(tool, "-t", path).CombinedOutput(); err != nil {
		t.Errorf("unzip: %v\n%s", err, said)
	}
}

// byHand runs the recipe of ByHand in a shell. openssl is the independent tool; where there is no unzip, the members
// lie there as archive/zip reads them.
func byHand(t *testing.T, w *world, file []byte, sequence uint64) {
	t.Helper()
	openssl, err := exec.LookPath("openssl")
	if err != nil {
		if os.Getenv("CI") != "" {
			t.Fatal("openssl is missing")
		}
		t.Skip("openssl is missing")
	}
	folder := t.TempDir()
	path := filepath.Join(folder, "it's evidence.zip")
	if err := os.WriteFile(path, file, 0o600); err != nil {
		t.Fatal(err)
	}
	members, err := unpack(file)
	if err != nil {
		t.Fatal(err)
	}
	for _, m := range members {
		at := filepath.Join(folder, "inside", filepath.FromSlash(m.name))
		if err := os.MkdirAll(filepath.Dir(at), 0o700); err != nil {
			t.Fatal(err)
		}
		if err := os.WriteFile(at, m.data, 0o600); err != nil {
			t.Fatal(err)
		}
	}
	leaf, hash, err := w.read(file).Leaf(sequence)
	if err != nil {
		t.Fatal(err)
	}
	parsed, err := proof.ParseLeaf(leaf)
	if err != nil {
		t.Fatal(err)
	}
	envelope, err := proof.ReadEnvelope(parsed.Event)
	if err != nil {
		t.Fatal(err)
	}
	script := ByHand(path, sequence, hash)
	if _, err := exec.LookPath("unzip"); err != nil {
		script = "unzip() { cat inside/\"$3\"; }\n" + script
	}
	run := func(script string) (string, error) {
		shell := exec.Command("sh", "-e", "-c", script)
		shell.Dir = folder
		said, err := shell.CombinedOutput()
		return string(said), err
	}
	said, err := run(script)
	if err != nil {
		t.Fatalf("%s: %v\n%s", openssl, err, said)
	}
	for _, want := range []string{"Signature Verified Successfully", string(keyID(envelope.Author)),
		hex.EncodeToString(hash[:])} {
		if !strings.Contains(said, want) {
			t.Errorf("the recipe does not show %q:\n%s", want, said)
		}
	}
	// The recipe can fail: with another word in the entry openssl says no.
	altered := strings.Replace(script, "tail -c +76 leaf; } > signed", "tail -c +76 leaf | tr 2 3; } > signed", 1)
	if said, err := run(altered); err == nil || strings.Contains(said, "Verified Successfully") {
		t.Errorf("openssl finds no fault with a changed entry: %v\n%s", err, said)
	}
}

// What is read has one encoding, and nothing makes Read or Verify panic: neither a file as it comes, nor one that its
// exporter signed with anything in the place of one member.
func FuzzRead(f *testing.F) {
	w := gold(f)
	file := w.write(w.pack(goldBar, "quillmoss/ibbet"))
	members, err := unpack(file)
	if err != nil {
		f.Fatal(err)
	}
	members = without(manifestName, signatureName)(members)
	header, key := w.read(file).header(), w.key("quillmoss/ibbet")
	f.Add(file, uint8(0))
	for i, m := range members {
		f.Add(m.data, uint8(i+1))
	}
	f.Fuzz(func(t *testing.T, data []byte, how uint8) {
		file := data
		if how > 0 {
			changed := slices.Clone(members)
			changed[int(how-1)%len(changed)].data = data
			var err error
			if file, err = seal(slices.Clone(header), changed, key); err != nil {
				t.Fatal(err)
			}
		}
		p, err := Read(file)
		if err != nil {
			if refusal.As(err) == nil {
				t.Fatalf("%v is no refusal", err)
			}
			return
		}
		Verify(p, w.logKey)
		inside, err := unpack(file)
		if err != nil {
			t.Fatal(err)
		}
		if again, err := pack(inside); err != nil || !bytes.Equal(again, file) {
			t.Fatal("a file that is read has another encoding")
		}
	})
}

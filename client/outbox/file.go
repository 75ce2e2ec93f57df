package outbox

import (
	"bytes"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"

	"barward/internal/ledger/proof"
	"barward/internal/refusal"
)

// A file of the outbox is one line of header and one line of JSON:
//
//	barward outbox v1 <sha256 of the rest, hexadecimal>
//	{"event":"base64","signature":"base64","receipt":"base64","reason":"...","text":"..."}
//
// The hash finds damage, not malice: who can write the file can write the hash. The event and its id are safe from them
// all the same, by the author's signature.
const magic = "barward outbox v1 "

type content struct {
	Event     []byte `json:"event"`
	Signature []byte `json:"signature"`
	Receipt   []byte `json:"receipt,omitempty"`
	Reason    string `json:"reason,omitempty"`
	Text      string `json:"text,omitempty"`
}

// encode returns the file for an item. The state is not in it; the folder says it.
func encode(item Item) []byte {
	body, err := json.Marshal(content{item.Signed.Event, item.Signed.Signature, item.Receipt, item.Reason, item.Text})
	if err != nil {
		panic("outbox: bytes and strings always have a JSON form: " + err.Error())
	}
	body = append(body, '\n')
	sum := sha256.Sum256(body)
	return slices.Concat([]byte(magic+hex.EncodeToString(sum[:])+"\n"), body)
}

// decode is the inverse of encode: what it accepts encodes to the same bytes. It checks the author's signature.
func decode(file []byte) (Item, error) {
	if len(file) > maxFile {
		return Item{}, damaged("it is longer than any file of an outbox")
	}
	header, body, found := bytes.Cut(file, []byte("\n"))
	if !found || !strings.HasPrefix(string(header), magic) {
		return Item{}, damaged("it does not begin as a file of an outbox does")
	}
	sum := sha256.Sum256(body)
	if string(header[len(magic):]) != hex.EncodeToString(sum[:]) {
		return Item{}, damaged("its content does not match its hash: it was cut or altered")
	}
	var c content
	if err := json.Unmarshal(body, &c); err != nil {
		return Item{}, damaged("its content is not of the form written by this program")
	}
	if len(c.Receipt) > MaxReceipt || len(c.Reason) > maxReason || len(c.Text) > maxText {
		return Item{}, damaged("its receipt or reason is too long")
	}
	signed := proof.Signed{Event: c.Event, Signature: c.Signature}
	envelope, err := proof.Open(signed)
	if err != nil {
		return Item{}, damaged("its event is not a signed event").Because(err)
	}
	item := Item{ID: envelope.ID, State: Waiting, Signed: signed, Receipt: c.Receipt, Reason: c.Reason, Text: c.Text}
	if !bytes.Equal(encode(item), file) {
		return Item{}, damaged("its content is not of the form written by this program")
	}
	return item, nil
}

// Damage is a file that could not be read and was moved aside.
type Damage struct {
	File string // its path now
	From State  // the folder that it was in, empty if that is not known
	Why  string // a sentence
}

// Damaged lists the files that were moved aside, at most 1000 of them. A person should look at them: an event that
// waited in one was perhaps never sent. Delete the file by hand once that is settled.
func (o *Outbox) Damaged() ([]Damage, error) {
	folder := filepath.Join(o.folder, damagedFolder)
	entries, err := os.ReadDir(folder)
	if err != nil {
		return nil, notWritten(err)
	}
	var list []Damage
	for _, entry := range entries[:min(len(entries), maxAside)] {
		d := Damage{File: filepath.Join(folder, entry.Name())}
		for _, state := range []State{Waiting, Recorded, Refused} {
			if strings.HasPrefix(entry.Name(), string(state)+"-") {
				d.From = state
			}
		}
		content, err := readFile(d.File)
		if err == nil {
			_, err = decode(content)
		}
		d.Why = why(err)
		list = append(list, d)
	}
	return list, nil
}

// aside moves a file to damaged under a name that is free.
func (o *Outbox) aside(state State, name string, cause error) (*Damage, error) {
	from := filepath.Join(o.sub(state), name)
	base := filepath.Join(o.folder, damagedFolder, string(state)+"-"+name)
	to := base
	for n := 1; ; n++ {
		if _, err := os.Lstat(to); errors.Is(err, fs.ErrNotExist) {
			break
		}
		if n > maxAside {
			return nil, notWritten(fmt.Errorf("more than %d damaged files of one name: %w", maxAside, fs.ErrExist))
		}
		to = base + "." + strconv.Itoa(n)
	}
	err := os.Rename(from, to)
	if errors.Is(err, fs.ErrNotExist) {
		return nil, nil // another process moved it first
	}
	if err != nil {
		return nil, notWritten(err)
	}
	return &Damage{File: to, From: state, Why: why(cause)}, nil
}

func why(err error) string {
	if err == nil {
		return "The file was not damaged, but its name did not match what it holds."
	}
	if r := refusal.As(err); r != nil {
		return r.Text
	}
	return "The disk does not give the file back."
}

func damaged(what string) *refusal.Error {
	return refusal.New(refusal.DataLoss, "OUTBOX_FILE_DAMAGED", "",
		"A file of the outbox cannot be read: %s. It was moved aside; see whether its event was recorded, and if not, "+
			"record it again.", what).With("found", what)
}

package desk

import (
	"net/url"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/google/uuid"

	"barward/internal/refusal"
)

// A witness is a second person: the officer's own key under another name is not one.
func TestWitnessIsASecondPerson(t *testing.T) {
	a := newAsker(t)
	text, err := os.ReadFile(a.keyFile)
	if err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(filepath.Join(filepath.Dir(a.keyFile), "somebody-else"), text, 0o600); err != nil {
		t.Fatal(err)
	}
	a.unlock()
	v := &visit{d: a.desk, seat: a.desk.seat}
	v.r = a.request(url.Values{"witness": {"somebody-else"}, "witness_passphrase": {passphrase}})
	f := &Form{values: v.r.PostForm, faults: map[string]string{}}
	if _, _, err := v.witnessKey(f); !refusal.Is(err, "WITNESS_SAME") {
		t.Errorf("the same key twice: %v", err)
	}
}

// By hand, from RFC 9562, section 5.7: a UUIDv7 begins with the milliseconds since 1970 in 48 bits.
func TestFirstOfIsBeforeAndAfter(t *testing.T) {
	at := time.UnixMilli(0x0192_3456_789a)
	if got := firstOf(at).String(); got != "01923456-789a-0000-0000-000000000000" {
		t.Errorf("first id: %s", got)
	}
	id, err := uuid.NewV7()
	if err != nil {
		t.Fatal(err)
	}
	if before, after := firstOf(time.Now().Add(-time.Hour)), firstOf(time.Now().Add(time.Hour)); !(before.String() < id.String() && id.String() < after.String()) {
		t.Errorf("%s is not between %s and %s", id, before, after)
	}
}

// A path within the desk is gone back to; anything that leads out is not.
func TestBackLeadsNowhereElse(t *testing.T) {
	for to, want := range map[string]string{"/goldroom": "/goldroom", "/outbox?after=x": "/outbox?after=x", "": "/", "https://desk.invalid/": "/",
		"//desk.invalid/": "/", `/\desk.invalid`: "/", "javascript:alert(1)": "/", "/unlock": "/", "/a\r\nX: y": "/", "goldroom": "/"} {
		if got := local(to); got != want {
			t.Errorf("%q leads to %q, not %q", to, got, want)
		}
	}
}

// What a balance shows is taken as it is: a unit is completed, a comma is refused, a zero at the end stays.
func TestMassesAsTyped(t *testing.T) {
	for text, want := range map[string]string{"18452.30": "18452.30 g", " 20 kg ": "20 kg", "20kg": "20 kg", "1.5 oz": "1.5 oz"} {
		m, err := mass(text, "g")
		if err != nil || m.String() != want {
			t.Errorf("%q is %s (%v), not %s", text, m, err, want)
		}
	}
	for _, text := range []string{"", "18452,3", "1e4", "heavy", "5 stone"} {
		if m, err := mass(text, "g"); err == nil {
			t.Errorf("%q was read as %s", text, m)
		}
	}
}

// A refusal finds its place in the form by the path of its field.
func TestRefusalsFindTheirPlace(t *testing.T) {
	for field, want := range map[string]string{"box_packed.box_id": "box_id", "box_id": "box_id", "box_packed.bars[1]": "bars[1]",
		"bars[2].readings[0]": "bars[2]", "box_packed.nothing": "", "": ""} {
		f := &Form{values: url.Values{"box_id": {""}, "bars": {"", ""}}, faults: map[string]string{}}
		f.refuse(refusal.Invalidf("X", field, "it is so"))
		if want == "" && f.Fault != "It is so" || want != "" && f.Wrong(want) != "It is so" {
			t.Errorf("%s: %+v", field, f)
		}
	}
}

// Signed forms are forgotten after a month; the others stay.
func TestOldFormsAreForgotten(t *testing.T) {
	a := newAsker(t)
	old, young := uuid.NewString(), uuid.NewString()
	for _, once := range []string{old, young} {
		if err := a.desk.keepForm(once, keptForm{Path: "/goldroom/pack", Values: url.Values{"box_id": {"B-1"}}}); err != nil {
			t.Fatal(err)
		}
	}
	long := a.desk.now().Add(-keptLife - time.Hour)
	if err := os.Chtimes(a.desk.kept.Path(formFile(old)), long, long); err != nil {
		t.Fatal(err)
	}
	recently := a.desk.now()
	if err := os.Chtimes(a.desk.kept.Path(formFile(young)), recently, recently); err != nil {
		t.Fatal(err)
	}
	a.desk.forgetOld()
	if _, found := a.desk.form(old); found {
		t.Error("the old one is there")
	}
	if _, found := a.desk.form(young); !found {
		t.Error("the young one is gone")
	}
	if _, found := a.desk.form("../" + strings.Repeat("x", 33)); found {
		t.Error("a path was taken for a form")
	}
}

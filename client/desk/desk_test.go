package desk

import (
	"os"
	"path/filepath"
	"strings"
	"testing"

	"barward/client/outbox"
)

// The pages of the shell, each as a person meets it.
func TestShellPages(t *testing.T) {
	p := newPlace(t)
	p.as("ibbet", goodCheck())
	c := p.config("mine", "ibbet", "tamsin")
	address, _ := p.open(c)
	b := browse(t, address)
	b.visit("/goldroom/pack")
	b.says("Unlock the desk")
	b.snap("unlock")
	b.fill("passphrase", "not the one")
	b.click("Unlock")
	b.says("does not open this key file")
	b.snap("unlock-refused")
	b.unlock("ibbet")
	b.linked(true)
	b.visit("/nothing")
	b.says("There is no such page")
	b.snap("nowhere")
	if back := b.read(`document.querySelector("main a.button").pathname`); back != "/" {
		t.Errorf("the way back from nowhere leads to %s", back)
	}
	b.visit("/goldroom/pours/quillmoss/P-0")
	b.says("This could not be shown")
	b.snap("fault")
	b.visit("/outbox")
	b.says("Nothing was refused")
	b.snap("outbox-empty")
	b.click("Lock")
	b.says("Unlock the desk")
	b.visit("/outbox")
	b.says("Unlock the desk")
	b.unlock("tamsin")
	b.says("Tamsin Oxgoddard")

	// A room that none of the person's roles opens.
	quay, _ := p.open(p.config("quay", "dilly"))
	q := browse(t, quay)
	q.unlock("dilly")
	q.linked(true)
	q.silent("Gold room")
	q.visit("/goldroom/pack")
	q.says("none of that works in this room")
	q.snap("closed")

	// A desk with no key at all: how to get one, and what the administrator needs of it.
	empty, _ := p.open(p.config("nobody"))
	n := browse(t, empty)
	n.visit("/")
	n.says("There is no key on this workstation yet")
	n.snap("no-key")
	n.click("Make a key")
	n.fill("person", "Nobody Yet, gold room")
	n.fill("passphrase", "several invented words")
	n.fill("passphrase_again", "several other words")
	n.click("Make the key")
	n.says("The two are not the same")
	n.snap("new-key-refused")
	n.fill("passphrase", "several invented words")
	n.fill("passphrase_again", "several invented words")
	n.click("Make the key")
	n.says("Your key is made")
	n.snap("new-key")
	n.click("Unlock the desk")
	n.fill("passphrase", "several invented words")
	n.click("Unlock")
	n.says("The service has not said yet who you are", "Your key is not enrolled there")
	n.snap("not-enrolled")
}

// The link is cut in the middle of a pour, the desk is killed, and started again; then the link comes back. Nothing is
// lost or doubled.
func TestPourSurvivesLinkAndPower(t *testing.T) {
	p := newPlace(t)
	p.as("ibbet", goodCheck())
	c := p.config("mine", "ibbet", "tamsin")
	address, kill := p.openApart(c)
	b := browse(t, address)
	b.unlock("ibbet")
	b.linked(true)
	b.visit("/goldroom")
	b.says("QB1 was checked")
	b.click("Log a new pour")
	b.fill("pour_id", "P-42")
	b.fill("mark", "QM-0601")
	b.enter()
	b.keys("18452.3")
	b.enter()
	b.keys("18452.3")
	b.says("agreed")
	b.kept()

	p.down() // the link
	b.linked(false)
	b.enter()
	b.keys("QM-0602")
	b.enter()
	b.keys("21030.6")
	b.says("lift it off and weigh it again")
	b.kept()
	b.snap("pour-link-down")
	kill() // the power
	address, kill = p.openApart(c)
	b = browse(t, address)
	b.unlock("ibbet")
	b.linked(false)
	b.visit("/goldroom")
	b.says("Go on with pour P-42", "2 bars so far")
	b.snap("goldroom-link-down")
	b.click("Go on with pour P-42")
	b.fill("reading2", "21030.8", 1)
	b.says("39483.0 g", "0.2 g apart, agreed") // by hand: 18452.3 + (21030.6 + 21030.8) / 2
	b.kept()
	b.click("Read and sign")
	b.choose("witness", "tamsin")
	b.fill("witness_passphrase", passphrase)
	b.click("Sign the pour")
	b.says("is signed and kept on this workstation", "Nothing is lost", "The witness has signed")
	b.snap("pour-waits")
	b.printed("Print the pour sheet", "QM-0602", "PROVISIONAL")
	b.visit("/goldroom/pack")
	b.says("its pour waits to be sent")
	b.fill("box_id", "B-12")
	b.fill("seals", "QS-7301")
	b.tick("bar", "QM-0601")
	b.tick("bar", "QM-0602")
	b.click("Read and sign")
	b.click("Sign the box")
	b.says("Box B-12 is signed and kept")
	b.visit("/outbox")
	b.says("Pour recorded", "Countersigned", "Box packed")
	b.snap("outbox-waiting")

	kill()
	address, _ = p.openApart(c)
	b = browse(t, address)
	b.unlock("ibbet")
	b.linked(false)
	b.visit("/outbox")
	b.says("Box packed")
	p.up() // the link is back
	b.linked(true)
	b.until("the outbox to be empty", `document.getElementById("bar").textContent.includes("none waiting")`)
	b.visit("/outbox")
	b.says("Nothing waits", "Nothing was refused")
	for _, kind := range []string{"Pour recorded", "Countersigned", "Box packed"} {
		if n := strings.Count(b.text(), kind); n != 1 {
			t.Errorf("%s is there %d times:\n%s", kind, n, b.text())
		}
	}
	b.visit("/goldroom/pours/quillmoss/P-42")
	b.says("Witnessed by "+names["tamsin"], "39483.0")
}

// An event that the service refuses after the link comes back says why, and leads back to its form with what was typed.
func TestRefusedLaterLeadsBack(t *testing.T) {
	p := newPlace(t)
	p.as("ibbet", goodCheck(), aPour("P-50", "QM-0701", "QM-0702"), aBox("B-20", "QM-0701"))
	c := p.config("mine", "ibbet")
	address, _ := p.open(c)
	b := browse(t, address)
	b.unlock("ibbet")
	b.linked(true)
	b.visit("/goldroom/pack")
	b.says("QM-0702")

	// At once: beside the field, with what was typed.
	b.fill("box_id", "B-20")
	b.fill("seals", "QS-1 QS-2")
	b.fill("bars", "QM-0702")
	b.click("Read and sign")
	b.click("Sign the box")
	b.until("the refusal", `document.querySelector(".fault, .flash.wrong")`)
	b.snap("pack-refused")
	if got := b.read(`document.querySelector("[name=seals]").value`); got != "QS-1 QS-2" {
		t.Errorf("the seals typed are %q now", got)
	}
	b.visit("/outbox")
	b.says("Nothing was refused") // the person was told on the page

	// Later: in the outbox, with the way back.
	p.down()
	b.linked(false)
	b.visit("/goldroom/pack")
	b.fill("box_id", "B-20")
	b.fill("seals", "QS-3")
	b.fill("bars", "QM-0702")
	b.click("Read and sign")
	b.click("Sign the box")
	b.says("is signed and kept")
	p.up()
	b.linked(true)
	b.until("the refusal", `document.getElementById("bar").textContent.includes("1 refused")`)
	b.visit("/outbox")
	b.says("Nothing of it was recorded")
	b.snap("outbox-refused")
	b.click("Correct it")
	b.until("what was typed", `document.querySelector("[name=seals]").value === "QS-3" && document.querySelector("[name=box_id]").value === "B-20"`)
	b.fill("box_id", "B-21")
	b.click("Read and sign")
	b.click("Sign the box")
	b.says("Box B-21 is recorded")
	b.visit("/outbox")
	b.click("Dismiss")
	b.says("Nothing was refused")

	// A pour leads back to its draft.
	p.down()
	b.linked(false)
	b.visit("/goldroom")
	b.click("Log a new pour")
	b.fill("pour_id", "P-52")
	b.fill("mark", "QM-0701") // is on record
	b.enter()
	b.keys("18452.3")
	b.enter()
	b.keys("18452.3")
	b.says("agreed")
	b.kept()
	b.click("Read and sign")
	b.choose("witness", "Nobody now")
	b.click("Sign the pour")
	b.says("is signed and kept")
	p.up()
	b.linked(true)
	b.until("the refusal", `document.getElementById("bar").textContent.includes("1 refused")`)
	b.visit("/outbox")
	b.says("QM-0701")
	b.click("Correct it")
	b.fill("mark", "QM-0703", 0)
	b.kept()
	b.click("Read and sign")
	b.choose("witness", "Nobody now")
	b.click("Sign the pour")
	b.says("Pour P-52 is recorded", "QM-0703", "No witness has signed yet")
}

// A form that is sent twice signs once.
func TestSentTwiceSignsOnce(t *testing.T) {
	p := newPlace(t)
	p.as("ibbet", goodCheck(), aPour("P-51", "QM-0801"))
	c := p.config("mine", "ibbet")
	address, _ := p.open(c)
	b := browse(t, address)
	b.unlock("ibbet")
	b.linked(true)
	b.visit("/goldroom/pack")
	b.fill("box_id", "B-30")
	b.fill("seals", "QS-9")
	b.tick("bar", "QM-0801")
	twice := b.read(`(async () => { const body = new URLSearchParams(new FormData(document.querySelector("form[action='/goldroom/pack']")));
		body.set("read", "yes");
		const a = await fetch("/goldroom/pack", {method: "POST", body}), b = await fetch("/goldroom/pack", {method: "POST",
			body});
		return a.url + " " + (await a.text()).includes("Box B-30 is recorded") + " " + (await b.text()).includes("it is not signed twice"); })()`)
	if !strings.HasSuffix(twice, "/goldroom/pack true true") {
		t.Errorf("sent twice: %s", twice)
	}
	box, err := outbox.Open(filepath.Join(c.Home, "outbox"))
	if err != nil {
		t.Fatal(err)
	}
	for state, want := range map[outbox.State]int{outbox.Recorded: 1, outbox.Refused: 0, outbox.Waiting: 0} {
		if items, err := box.List(state, outbox.Page{Size: 10}); err != nil || len(items) != want {
			t.Errorf("%s: %d events, %v", state, len(items), err)
		}
	}
}

// No passphrase and no key reaches the desk's folder.
func TestNoSecretOnTheDisk(t *testing.T) {
	p := newPlace(t)
	p.as("ibbet", goodCheck())
	c := p.config("mine", "ibbet", "tamsin")
	address, end := p.open(c)
	b := browse(t, address)
	b.unlock("ibbet")
	b.linked(true)
	b.visit("/goldroom")
	b.click("Log a new pour")
	b.fill("pour_id", "P-60")
	b.fill("mark", "QM-0901")
	b.enter()
	b.keys("18452.3")
	b.enter()
	b.keys("18452.3")
	b.says("agreed")
	b.kept()
	b.click("Read and sign")
	b.choose("witness", "tamsin")
	b.fill("witness_passphrase", passphrase)
	b.click("Sign the pour")
	b.says("Witnessed by")
	end()
	files := 0
	err := filepath.WalkDir(c.Home, func(path string, e os.DirEntry, err error) error {
		if err != nil || !e.Type().IsRegular() {
			return err
		}
		files++
		text, err := os.ReadFile(path)
		if strings.Contains(string(text), passphrase) || strings.Contains(string(text), strings.ReplaceAll(passphrase, " ",
			"+")) {
			t.Errorf("%s holds the passphrase", path)
		}
		return err
	})
	if err != nil || files < 5 {
		t.Errorf("%d files, %v", files, err)
	}
}

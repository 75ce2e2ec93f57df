package desk

import (
	"bytes"
	"context"
	_ "embed"
	"encoding/base64"
	"encoding/json"
	"flag"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/chromedp/cdproto/emulation"
	cdpage "github.com/chromedp/cdproto/page"
	"github.com/chromedp/chromedp"
	"github.com/chromedp/chromedp/kb"
)

var (
	screens = flag.String("screens", "", "folder to keep screenshots in, such as ../../out/desk")
	update  = flag.Bool("update", false, "keep the README's screenshots in testdata/screens")
)

// readme are the pages of which README shows a picture.
var readme = map[string]bool{"goldroom": true, "pour": true, "pour-sign": true, "outbox-refused": true,
	"bay-scan-wrong": true, "office-return": true, "office-statement": true, "trace-bar": true}

// axe is axe-core 4.14.1, https://github.com/dequelabs/axe-core, under the Mozilla Public License 2.0 (axe.LICENSE).
//
//go:embed testdata/axe.min.js
var axe string

// One browser serves all tests of this binary; each tab has a cookie jar of its own.
var theBrowser struct {
	once  sync.Once
	ctx   context.Context
	close func()
	err   error
}

func closeBrowser() {
	if theBrowser.close != nil {
		theBrowser.close()
	}
}

// tab is one tab of the browser, before one desk.
type tab struct {
	t    *testing.T
	ctx  context.Context
	home string // address of the desk
}

// browse opens a tab of its own cookie jar at a desk. Without Chromium the test is skipped; with CI set it fails.
func browse(t *testing.T, home string) *tab {
	t.Helper()
	program := ""
	for _, name := range []string{"chromium", "chromium-browser", "google-chrome"} {
		if path, err := exec.LookPath(name); err == nil && program == "" {
			program = path
		}
	}
	if program == "" {
		const missing = "chromium is not installed (Debian: apt-get install chromium), so no page was looked at"
		if os.Getenv("CI") != "" {
			t.Fatal(missing)
		}
		t.Skip(missing)
	}
	theBrowser.once.Do(func() {
		options := append(chromedp.DefaultExecAllocatorOptions[:], chromedp.ExecPath(program), chromedp.WindowSize(1280, 800))
		if os.Getuid() == 0 {
			options = append(options, chromedp.NoSandbox)
		}
		allocator, closeAllocator := chromedp.NewExecAllocator(context.Background(), options...)
		first, closeFirst := chromedp.NewContext(allocator, chromedp.WithLogf(func(string, ...any) {}),
			chromedp.WithErrorf(func(string, ...any) {}))
		theBrowser.ctx, theBrowser.close = first, func() { closeFirst(); closeAllocator() }
		theBrowser.err = chromedp.Do(first, chromedp.Navigate("about:blank"))
	})
	if theBrowser.err != nil {
		t.Fatalf("chromium did not start: %v", theBrowser.err)
	}
	ctx, cancel := chromedp.NewContext(theBrowser.ctx, chromedp.WithNewBrowserContext())
	t.Cleanup(cancel)
	late := time.AfterFunc(long, cancel) // the tab lives as long as the context of its first step, so that has no deadline
	if err := chromedp.Do(ctx); err != nil {
		t.Fatalf("no tab: %v", err)
	}
	late.Stop()
	b := &tab{t: t, ctx: ctx, home: home}
	b.size(1280, 800)
	return b
}

func (b *tab) do(what string, steps ...chromedp.Action[chromedp.Void]) {
	b.t.Helper()
	ctx, cancel := context.WithTimeout(b.ctx, long)
	defer cancel()
	if err := chromedp.Do(ctx, steps...); err != nil {
		b.t.Fatalf("%s: %v", what, err)
	}
}

func (b *tab) size(width, height int64) {
	b.t.Helper()
	b.do("size", chromedp.EmulateViewport(width, height))
}

func (b *tab) dark(on bool) {
	b.t.Helper()
	value := "light"
	if on {
		value = "dark"
	}
	b.do("colour scheme", chromedp.Func(func(ctx context.Context, t *chromedp.Target) error {
		_, err := chromedp.Call(ctx, emulation.SetEmulatedMedia, emulation.SetEmulatedMediaParams{
			Features: []*emulation.MediaFeature{{Name: "prefers-color-scheme", Value: value}}})
		return err
	}))
}

// eval runs a script in the page and returns what it says as text.
func (b *tab) eval(script string) (string, error) {
	ctx, cancel := context.WithTimeout(b.ctx, long)
	defer cancel()
	return chromedp.Run(ctx, chromedp.Evaluate[string](script, chromedp.EvalAwaitPromise))
}

// read is eval that must not fail.
func (b *tab) read(script string) string {
	b.t.Helper()
	text, err := b.eval(script)
	if err != nil {
		b.t.Fatalf("%s: %v", script, err)
	}
	return text
}

// until waits until a script says true, for as long as anything may take here.
func (b *tab) until(what, script string) {
	b.t.Helper()
	var last string
	var err error
	for end := time.Now().Add(long); time.Now().Before(end); time.Sleep(50 * time.Millisecond) {
		if last, err = b.eval("String(Boolean(" + script + "))"); err == nil && last == "true" {
			return
		}
	}
	b.t.Fatalf("%s did not come (%v). The page:\n%s", what, err, b.text())
}

// text is what the page says.
func (b *tab) text() string {
	text, err := b.eval("document.title + '\\n' + document.body.innerText")
	if err != nil {
		return err.Error()
	}
	return text
}

// says waits until the page says something.
func (b *tab) says(words ...string) {
	b.t.Helper()
	for _, w := range words {
		b.until(fmt.Sprintf("%q", w), "document.body && document.body.innerText.includes("+quoted(w)+")")
	}
}

// silent demands that the page does not say something.
func (b *tab) silent(words string) {
	b.t.Helper()
	if strings.Contains(b.text(), words) {
		b.t.Fatalf("the page says %q:\n%s", words, b.text())
	}
}

func quoted(s string) string {
	text, _ := json.Marshal(s)
	return string(text)
}

// visit opens a page of the desk, as by typing its address, and waits until it is there.
func (b *tab) visit(path string) {
	b.t.Helper()
	b.read("window.beforeThat = 1, ''")
	b.do("visit "+path, chromedp.Func(func(ctx context.Context, t *chromedp.Target) error {
		_, err := chromedp.Call(ctx, cdpage.Navigate, cdpage.NavigateParams{URL: b.home + path})
		return err
	}))
	b.there("the page " + path)
}

// there waits until the page after the one that was marked is there.
func (b *tab) there(what string) {
	b.t.Helper()
	b.until(what, "window.beforeThat === undefined && document.readyState === 'complete' && location.protocol !== 'about:'")
}

// click presses the button or link of these words, as a finger would, and waits for the page that comes.
func (b *tab) click(words string) {
	b.t.Helper()
	b.leaving("click "+words, `(() => {
		const plain = (e) => { const c = e.cloneNode(true); for (const k of c.querySelectorAll("kbd")) k.remove(); return c.textContent.trim().replace(/\s+/g, " "); };
		const all = [...document.querySelectorAll("main button, main a, main summary, header a, header button")].filter((e) => plain(e) === `+quoted(words)+`);
		if (all.length !== 1) return all.length + " are called so";
		all[0].click();
		return "";
	})()`)
}

// leaving does something that leads to another page, and waits until that is there.
func (b *tab) leaving(what, script string) {
	b.t.Helper()
	b.read("window.beforeThat = 1, ''")
	if wrong := b.read(script); wrong != "" {
		b.t.Fatalf("%s: %s. The page:\n%s", what, wrong, b.text())
	}
	b.there("the page after: " + what)
}

// fill types into the input of a name, the n-th of them if there are several; what was in it goes.
func (b *tab) fill(name, text string, n ...int) {
	b.t.Helper()
	i := 0
	if len(n) > 0 {
		i = n[0]
	}
	if wrong := b.read(fmt.Sprintf(`(() => { const e = document.querySelectorAll("main [name=" + CSS.escape(%s) + "]")[%d];
		if (!e) return "there is none"; e.focus(); e.select(); return document.activeElement === e ? "" : "it takes no focus"; })()`, quoted(name), i)); wrong != "" {
		b.t.Fatalf("input %s: %s. The page:\n%s", name, wrong, b.text())
	}
	b.keys(text)
}

// empty clears the n-th input of a name.
func (b *tab) empty(name string, n int) {
	b.t.Helper()
	b.fill(name, kb.Backspace, n)
}

// choose takes an option of the choice of a name by the beginning of its words.
func (b *tab) choose(name, words string) {
	b.t.Helper()
	if wrong := b.read(fmt.Sprintf(`(() => { const e = document.querySelector("main select[name=" + CSS.escape(%s) + "]");
		if (!e) return "there is none"; const o = [...e.options].find((o) => o.text.startsWith(%s)); if (!o) return "it has no such option: " + [...e.options].map((o) => o.text).join("; ");
		e.value = o.value; e.dispatchEvent(new Event("input", {bubbles: true})); e.dispatchEvent(new Event("change",
			{bubbles: true})); return ""; })()`, quoted(name), quoted(words))); wrong != "" {
		b.t.Fatalf("choice %s: %s", name, wrong)
	}
}

// tick ticks the box of a name and value.
func (b *tab) tick(name, value string) {
	b.t.Helper()
	if wrong := b.read(fmt.Sprintf(`(() => { const e = [...document.querySelectorAll("main input[name=" + CSS.escape(%s) + "]")].find((e) => e.value === %s);
		if (!e) return "there is none"; if (!e.checked) e.click(); return ""; })()`, quoted(name), quoted(value))); wrong != "" {
		b.t.Fatalf("tick %s=%s: %s. The page:\n%s", name, value, wrong, b.text())
	}
}

// keys types, as a keyboard does.
func (b *tab) keys(text string) {
	b.t.Helper()
	if text != "" {
		b.do("type", chromedp.KeyEvent(text))
	}
}

// enter presses Enter.
func (b *tab) enter() { b.t.Helper(); b.keys(kb.Enter) }

// kept waits until the desk has kept what was typed into a live form.
func (b *tab) kept() {
	b.t.Helper()
	b.until("what was typed to be kept", "document.querySelector('form[data-live]') && !document.querySelector('form[data-live]').dataset.busy")
}

// unlock opens the desk as somebody.
func (b *tab) unlock(who string) {
	b.t.Helper()
	b.visit("/unlock")
	option := b.read(`(() => { const o = [...document.querySelectorAll("select[name=key] option")].find((o) => o.text.startsWith(` + quoted(names[who]) + `) || o.text.startsWith(` + quoted(who) + `)); return o ? o.text : ""; })()`)
	if option == "" {
		b.t.Fatalf("there is no key of %s:\n%s", who, b.text())
	}
	b.choose("key", option)
	b.fill("passphrase", passphrase)
	b.click("Unlock")
	b.until("the desk to be open", "document.body.dataset.seated !== undefined")
}

// linked waits until the state bar says that the link is up, or down.
func (b *tab) linked(up bool) {
	b.t.Helper()
	class := ".up"
	if !up {
		class = ".down"
	}
	b.until("the link to be "+strings.TrimPrefix(class, "."), "document.querySelector('#bar .mark"+class+"')")
}

// sights are the ways in which every page is looked at, and what axe-core is asked there: everything once, contrast
// again in the dark. The sizes show what the styles do about them, which axe-core does not see.
var sights = []struct {
	name          string
	width, height int64
	dark          bool
	rules         string
}{
	{"1280x800", 1280, 800, false, "{}"}, {"1280x800-dark", 1280, 800, true, `{runOnly: ["color-contrast"]}`},
	{"1280x657", 1280, 657, false, ""}, {"820x1180", 820, 1180, false, ""}, {"820x1180-dark", 820, 1180, true, ""},
}

// snap has axe-core look at the page as it stands, light and dark; demands at each size that nothing must be scrolled
// sideways and that what is pressed is large enough for a gloved finger; and keeps a screenshot where one is asked for.
func (b *tab) snap(name string) {
	b.t.Helper()
	if _, err := b.eval(axe + "\n; typeof axe"); err != nil {
		b.t.Fatalf("axe-core: %v", err)
	}
	for _, s := range sights {
		if s.height == 657 && *screens == "" || s.name == "820x1180-dark" && *screens == "" {
			continue // nothing is asked there
		}
		b.size(s.width, s.height)
		b.dark(s.dark)
		if s.rules != "" {
			b.accessible(name+" at "+s.name, s.rules)
		}
		b.comfortable(name + " at " + s.name)
		if *screens != "" {
			b.keep(filepath.Join(*screens, name+"-"+s.name+".png"))
		}
		if *update && readme[name] && s.name == "1280x800" {
			b.keep(filepath.Join("..", "..", "testdata", "screens", name+".png"))
		}
	}
	b.size(1280, 800)
	b.dark(false)
}

// accessible is what axe-core finds wrong with the page.
func (b *tab) accessible(where, rules string) {
	b.t.Helper()
	found := b.read(`axe.run(document, Object.assign({resultTypes: ["violations"]}, ` + rules + `)).then((r) => r.violations.map((v) => v.id + ": " + v.help + "\n" +
		v.nodes.map((n) => "    " + n.html.slice(0, 200) + "\n      " + n.failureSummary.replace(/\n/g,
			"\n      ")).join("\n")).join("\n"))`)
	if found != "" {
		b.t.Errorf("%s: axe-core finds\n%s", where, found)
	}
}

// comfortable demands targets for a gloved finger and no scrolling sideways. WCAG 2.2, 2.5.8 asks for targets of 24 px
// and 2.5.5 (AAA) for 44; links within a sentence are excepted there and here.
func (b *tab) comfortable(where string) {
	b.t.Helper()
	small := b.read(`(() => { const bad = []; for (const e of document.querySelectorAll("button, .button, select, textarea, input:not([type=hidden]), nav a, .tiles a")) {
		const at = ["checkbox", "radio"].includes(e.type) && e.closest("label") || e, r = at.getBoundingClientRect();
		if (r.width && (r.height < 43.5 || r.width < 43.5)) bad.push(e.outerHTML.slice(0,
			120) + " " + Math.round(r.width) + "x" + Math.round(r.height)); } return bad.join("\n"); })()`)
	if small != "" {
		b.t.Errorf("%s: too small for a gloved finger:\n%s", where, small)
	}
	if wide := b.read(`document.documentElement.scrollWidth > innerWidth ? String(document.documentElement.scrollWidth) : ""`); wide != "" {
		b.t.Errorf("%s: the page is %s px wide and must be scrolled sideways", where, wide)
	}
}

func (b *tab) keep(path string) {
	b.t.Helper()
	if err := os.MkdirAll(filepath.Dir(path), 0o755); err != nil {
		b.t.Fatal(err)
	}
	ctx, cancel := context.WithTimeout(b.ctx, long)
	defer cancel()
	b.read("scrollTo(0, 0), ''")
	png, err := chromedp.Run(ctx, chromedp.CaptureScreenshot())
	if err == nil {
		err = os.WriteFile(path, png, 0o644)
	}
	if err != nil {
		b.t.Fatal(err)
	}
}

// printed follows a link to a paper and reads it back.
func (b *tab) printed(link string, words ...string) {
	b.t.Helper()
	pdf, err := base64.StdEncoding.DecodeString(b.read(`(async () => { const a = [...document.querySelectorAll("main a")].find((a) => a.textContent.trim() === ` + quoted(link) + `);
		if (!a) return ""; const r = await fetch(a.href); const raw = new Uint8Array(await r.arrayBuffer());
		if (!r.ok || r.headers.get("Content-Type") !== "application/pdf") return btoa("no PDF: " + new TextDecoder().decode(raw).replace(/[^ -~]/g, " ").slice(0, 3000));
		let s = ""; for (const c of raw) s += String.fromCharCode(c); return btoa(s); })()`))
	if err != nil {
		b.t.Fatal(err)
	}
	b.readBack(link, pdf, words...)
}

// readBack reads a PDF with poppler's pdftotext, which is none of ours.
func (b *tab) readBack(link string, pdf []byte, words ...string) {
	b.t.Helper()
	tool, err := exec.LookPath("pdftotext")
	if err != nil {
		const missing = "pdftotext is not installed (Debian: apt-get install poppler-utils), so no paper was read back"
		if os.Getenv("CI") != "" {
			b.t.Fatal(missing)
		}
		b.t.Log(missing)
		return
	}
	read := exec.Command(tool, "-layout", "-", "-")
	read.Stdin = bytes.NewReader(pdf)
	text, err := read.CombinedOutput()
	if err != nil {
		b.t.Fatalf("%s: %v\n%s\n%s", link, err, text, pdf[:min(len(pdf), 3000)])
	}
	for _, w := range words {
		if !strings.Contains(string(text), w) {
			b.t.Errorf("%s does not say %q:\n%s", link, w, text)
		}
	}
}

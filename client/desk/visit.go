package desk

import (
	"bytes"
	"context"
	"embed"
	"encoding/json"
	"errors"
	"fmt"
	"html/template"
	"io/fs"
	"net/http"
	"net/url"
	"path"
	"strings"
	"time"

	"barward/client/station"
	"barward/internal/refusal"
)

//go:embed pages/*.html
var pageFiles embed.FS

//go:embed static
var staticFiles embed.FS

// visit is one request of somebody at the desk, and how it is answered.
type visit struct {
	d      *Desk
	w      http.ResponseWriter
	r      *http.Request
	ticket string
	seat   *seat // nil on the pages before unlocking
	room   *room // nil outside the rooms
	status int   // of the page to be shown; 0: OK
}

func (v *visit) ctx() context.Context { return v.r.Context() }

// posted reports whether something is to be done, rather than shown.
func (v *visit) posted() bool { return v.r.Method == http.MethodPost }

// view is what a page's template gets; Page is what the page itself is about.
type view struct {
	Title   string
	Here    string // path of the room
	Seat    *seat
	Rooms   []room
	Token   string // of forms
	State   link
	Service string
	Idle    time.Duration
	Flashes []flash
	Page    any
}

// open answers pages that need nobody at the desk. A POST needs the token of its form.
func (d *Desk) open(do func(*visit) error) http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		v := &visit{d: d, w: w, r: r, ticket: ticket(r)}
		if v.ticket == "" {
			v.ticket = newTicket(w, r)
		}
		// A page's script that looks for news by itself is no use of the desk.
		use := v.posted() || r.URL.Path != "/state" && !v.live()
		v.seat = d.sitting(v.ticket, use)
		if v.posted() && !v.fits() {
			v.stale()
			return
		}
		if err := do(v); err != nil {
			v.fail(err)
		}
	})
}

// seated answers pages for who sits at the desk, in a room that is open to them.
func (d *Desk) seated(r *room, do func(*visit) error) http.Handler {
	return d.open(func(v *visit) error {
		if v.seat == nil {
			return v.toUnlock()
		}
		if v.room = r; r != nil && !r.open(v.seat) {
			v.status = http.StatusForbidden
			return v.show("closed.html", r.Name, map[string]any{"Room": r.Name, "Words": r.Words})
		}
		return do(v)
	})
}

// fits reads the form and reports whether it is one of this session's.
func (v *visit) fits() bool {
	if err := v.r.ParseForm(); err != nil {
		return false
	}
	token := v.r.PostForm.Get("token")
	if token == "" {
		token = v.r.Header.Get("X-Desk-Token")
	}
	return v.d.tokenFits(v.ticket, token)
}

// stale answers a form that is not of this session: the desk was restarted, or somebody else's page sent it.
func (v *visit) stale() {
	v.status = http.StatusForbidden
	if err := v.show("stale.html", "This page is out of date", v.r.URL.Path); err != nil {
		v.d.log.Error("page", "error", err)
	}
}

// toUnlock sends a browser to the page where the desk is unlocked, and back here afterwards. What was typed is kept.
func (v *visit) toUnlock() error {
	back := v.r.URL.Path
	if v.posted() {
		if back = v.keepTyped(); back == "" {
			back = "/"
		}
	} else if v.r.URL.RawQuery != "" {
		back += "?" + v.r.URL.RawQuery
	}
	if v.live() {
		v.w.WriteHeader(http.StatusUnauthorized)
		return nil
	}
	to := "/unlock"
	if back != "/" {
		to += "?back=" + url.QueryEscape(back)
	}
	return v.redirect(to)
}

// live reports whether the page's own script asks, and wants parts of a page.
func (v *visit) live() bool { return v.r.Header.Get("X-Desk-Live") != "" }

// redirect sends the browser on to a page of ours.
func (v *visit) redirect(to string) error {
	http.Redirect(v.w, v.r, to, http.StatusSeeOther)
	return nil
}

// local returns where to go after a step, if it is a page of ours; else the start.
func local(to string) string {
	u, err := url.Parse(to)
	if err != nil || u.Scheme != "" || u.Host != "" || !strings.HasPrefix(u.Path, "/") || strings.HasPrefix(to, "//") ||
		strings.ContainsAny(to, "\\\r\n") || u.Path == "/unlock" {
		return "/"
	}
	return u.RequestURI()
}

// say tells the person something on their next page.
func (v *visit) say(kind, text string, lines ...string) {
	v.d.tell(flash{Kind: kind, Text: text, Lines: lines})
}

// show writes a page, with the visit's status.
func (v *visit) show(name, title string, page any) error {
	w := view{Title: title, Seat: v.seat, Token: v.d.token(v.ticket), State: v.d.sender.now(), Service: v.d.c.Server,
		Idle: v.d.c.Idle, Page: page}
	if v.room != nil {
		w.Here = v.room.Path
	}
	if v.seat != nil {
		if !v.live() { // a script that looks for news has nobody to tell
			w.Flashes = v.d.told()
		}
		for _, r := range rooms() {
			if r.open(v.seat) {
				w.Rooms = append(w.Rooms, r)
			}
		}
	}
	return v.d.looks.write(v.w, v.status, name, w)
}

// part returns one named template of a page as HTML, for a live answer.
func (v *visit) part(pageName, part string, data any) (template.HTML, error) {
	t := v.d.looks.pages[pageName]
	if t == nil {
		return "", fmt.Errorf("there is no page %s", pageName)
	}
	var b bytes.Buffer
	err := t.ExecuteTemplate(&b, part, data)
	return template.HTML(b.String()), err // made by html/template just now
}

// fresh is a live answer: parts of the page that are to be put in the place of those there, by the id of the element.
type fresh struct {
	Parts map[string]template.HTML `json:"parts"`
	Saved string                   `json:"saved,omitempty"` // words on what was kept
}

func (v *visit) answer(f fresh) error {
	v.w.Header().Set("Content-Type", "application/json")
	return json.NewEncoder(v.w).Encode(f)
}

// nowhere answers for pages that do not exist.
func (v *visit) nowhere() error {
	v.status = http.StatusNotFound
	return v.show("nowhere.html", "No such page", nil)
}

// fail shows an error that no form could show. A refusal says what to do; anything else is our bug.
func (v *visit) fail(err error) {
	if v.ctx().Err() != nil && errors.Is(err, v.ctx().Err()) {
		return // nobody is there to be told
	}
	status := http.StatusInternalServerError
	text, r := plainWords(err), station.AsRefusal(err)
	var alarm *station.Untrusted
	switch {
	case errors.As(err, &alarm):
		text = "Do not rely on this log: " + alarm.Error()
	case r == nil:
		v.d.log.Error("page failed", "path", v.r.URL.Path, "error", err)
		text = "Something went wrong inside this desk, and nothing was recorded by it. Go back and try again; if it stays, tell whoever keeps this workstation."
	case r.Kind == refusal.NotFound:
		status = http.StatusNotFound
	case r.Kind == refusal.Unavailable:
		status = http.StatusServiceUnavailable
	default:
		status = http.StatusConflict
	}
	if v.live() {
		plainRefusal(v.w, status, text)
		return
	}
	v.status = status
	if err := v.show("fault.html", "This could not be shown", map[string]any{"Text": text,
		"Down": status == http.StatusServiceUnavailable}); err != nil {
		v.d.log.Error("page failed", "path", v.r.URL.Path, "error", err)
	}
}

// plainWords says in words what an error is, for a page: the sentence without the path of the field.
func plainWords(err error) string {
	r := station.AsRefusal(err)
	if r != nil && r.Reason == "LINK_DOWN" {
		return "The service does not answer. See that the link of this workstation is up."
	}
	if r != nil && r.Text != "" {
		return capital(r.Text)
	}
	return err.Error()
}

// state answers the script that keeps the state bar current.
func (v *visit) state() error {
	if v.seat == nil {
		v.w.WriteHeader(http.StatusUnauthorized)
		return nil
	}
	bar, err := v.part("start.html", "bar", v.d.sender.now())
	if err != nil {
		return err
	}
	whom, err := v.part("start.html", "whom", v.seat)
	if err != nil {
		return err
	}
	return v.answer(fresh{Parts: map[string]template.HTML{"bar": bar, "whom": whom}})
}

// static serves the script, the styles and nothing else.
func (d *Desk) static(w http.ResponseWriter, r *http.Request) {
	name := path.Clean(strings.TrimPrefix(r.URL.Path, "/"))
	kinds := map[string]string{".js": "text/javascript; charset=utf-8", ".css": "text/css; charset=utf-8", ".svg": "image/svg+xml"}
	kind, known := kinds[path.Ext(name)]
	text, err := staticFiles.ReadFile(name)
	if err != nil || !known {
		plainRefusal(w, http.StatusNotFound, "There is no such file.")
		return
	}
	w.Header().Set("Content-Type", kind)
	_, _ = w.Write(text) // the asker may be gone
}

// looks are the pages' templates, each with the shell and the parts that all share.
type looks struct{ pages map[string]*template.Template }

func readLooks() (looks, error) {
	shared, err := template.New("").Funcs(helpers).ParseFS(pageFiles, "pages/shell.html", "pages/*parts.html")
	if err != nil {
		return looks{}, err
	}
	names, err := fs.Glob(pageFiles, "pages/*.html")
	if err != nil {
		return looks{}, err
	}
	l := looks{map[string]*template.Template{}}
	for _, name := range names {
		if base := path.Base(name); base != "shell.html" && !strings.HasSuffix(base, "parts.html") {
			one, err := shared.Clone()
			if err == nil {
				one, err = one.ParseFS(pageFiles, name)
			}
			if err != nil {
				return looks{}, err
			}
			l.pages[base] = one
		}
	}
	return l, nil
}

// write renders a page whole before the first byte leaves, so that half a page is never shown.
func (l looks) write(w http.ResponseWriter, status int, name string, data view) error {
	t := l.pages[name]
	if t == nil {
		return fmt.Errorf("there is no page %s", name)
	}
	var b bytes.Buffer
	if err := t.ExecuteTemplate(&b, "shell", data); err != nil {
		return err
	}
	w.Header().Set("Content-Type", "text/html; charset=utf-8")
	if status != 0 {
		w.WriteHeader(status)
	}
	_, err := w.Write(b.Bytes())
	return err
}

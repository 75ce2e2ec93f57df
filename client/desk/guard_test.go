package desk

import (
	"context"
	"io"
	"net"
	"net/http"
	"net/http/cookiejar"
	"net/http/httptest"
	"net/url"
	"path/filepath"
	"regexp"
	"strings"
	"sync/atomic"
	"testing"
	"time"

	"barward/internal/identity"
	"barward/internal/refusal"
)

// asker is a client of a desk that can ask as any page of any site could. No server is needed: the link is down.
type asker struct {
	t       *testing.T
	desk    *Desk
	server  *httptest.Server
	jar     http.CookieJar
	clock   atomic.Int64 // nanoseconds after the beginning
	keyFile string
}

func newAsker(t *testing.T) *asker {
	t.Helper()
	home := t.TempDir()
	a := &asker{t: t, keyFile: filepath.Join(home, "key")}
	key, err := identity.NewKey(strings.NewReader(strings.Repeat("an invented seed", 4)))
	if err == nil {
		err = identity.SaveKey(a.keyFile, key, "Ibbet Quarrell", passphrase, 10)
	}
	if err != nil {
		t.Fatal(err)
	}
	began := time.Date(2026, 3, 2, 7, 40, 0, 0, time.UTC)
	a.desk, err = New(Config{Home: home, Server: "127.0.0.1:1", Idle: 10 * time.Minute, Timeout: time.Second,
		Now: func() time.Time { return began.Add(time.Duration(a.clock.Load())) }})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		if err := a.desk.Close(); err != nil {
			t.Error(err)
		}
	})
	a.server = httptest.NewServer(a.desk)
	t.Cleanup(a.server.Close)
	if a.jar, err = cookiejar.New(nil); err != nil {
		t.Fatal(err)
	}
	return a
}

// answer is what came back.
type deskAnswer struct {
	status int
	header http.Header
	text   string
}

// ask sends one request. Headers are name and value in turn; a Host among them replaces the usual one. A redirect is
// not followed.
func (a *asker) ask(method, path string, form url.Values, headers ...string) deskAnswer {
	a.t.Helper()
	var body io.Reader
	if form != nil {
		body = strings.NewReader(form.Encode())
	}
	r, err := http.NewRequest(method, a.server.URL+path, body)
	if err != nil {
		a.t.Fatal(err)
	}
	if form != nil {
		r.Header.Set("Content-Type", "application/x-www-form-urlencoded")
	}
	for i := 0; i+1 < len(headers); i += 2 {
		if headers[i] == "Host" {
			r.Host = headers[i+1]
			continue
		}
		r.Header.Set(headers[i], headers[i+1])
	}
	client := &http.Client{Jar: a.jar, CheckRedirect: func(*http.Request,
		[]*http.Request) error {
		return http.ErrUseLastResponse
	}}
	response, err := client.Do(r)
	if err != nil {
		a.t.Fatal(err)
	}
	defer response.Body.Close()
	text, err := io.ReadAll(response.Body)
	if err != nil {
		a.t.Fatal(err)
	}
	return deskAnswer{response.StatusCode, response.Header, string(text)}
}

var tokenIn = regexp.MustCompile(`name="token" value="([^"]+)"`)

// token reads the token of the forms of a page.
func (a *asker) token(path string) string {
	a.t.Helper()
	found := tokenIn.FindStringSubmatch(a.ask("GET", path, nil).text)
	if found == nil {
		a.t.Fatalf("%s has no form", path)
	}
	return found[1]
}

// own are the headers that a browser sends with a form of the desk's own page.
func (a *asker) own() []string {
	return []string{"Origin", a.server.URL, "Sec-Fetch-Site", "same-origin"}
}

func (a *asker) unlock() {
	a.t.Helper()
	got := a.ask("POST", "/unlock", url.Values{"token": {a.token("/unlock")}, "key": {"key"},
		"passphrase": {passphrase}, "back": {"/outbox"}}, a.own()...)
	if got.status != http.StatusSeeOther || got.header.Get("Location") != "/outbox" {
		a.t.Fatalf("unlocking answered %d to %s\n%s", got.status, got.header.Get("Location"), got.text)
	}
}

// open reports whether somebody sits at the desk, as far as this browser is told.
func (a *asker) open() bool {
	a.t.Helper()
	return a.ask("GET", "/", nil).status == http.StatusOK
}

// Only the desk's own name is answered: a foreign name that resolves to this machine is a page of somebody else's that
// wants to read the desk (DNS rebinding).
func TestForeignHostIsRefused(t *testing.T) {
	a := newAsker(t)
	port := a.server.URL[strings.LastIndex(a.server.URL, ":"):]
	for host, want := range map[string]int{"127.0.0.1" + port: 200, "localhost" + port: 200, "[::1]" + port: 200,
		"desk.invalid" + port: 421, "127.0.0.1.desk.invalid" + port: 421, "localhost.desk.invalid" + port: 421, "10.0.0.1" + port: 421} {
		if got := a.ask("GET", "/unlock", nil, "Host", host); got.status != want {
			t.Errorf("host %s: %d, not %d", host, got.status, want)
		}
	}
}

// A form is taken only from a page of the desk, and only with the token of the session.
func TestForgedFormsAreRefused(t *testing.T) {
	a := newAsker(t)
	a.unlock()
	token := a.token("/")
	for _, tt := range []struct {
		what    string
		token   string
		headers []string
	}{
		{"another site's page", token, []string{"Origin", "https://desk.invalid", "Sec-Fetch-Site", "cross-site"}},
		{"another port of this machine", token, []string{"Origin", "http://127.0.0.1:1", "Sec-Fetch-Site", "same-site"}},
		{"the same host without TLS's name", token, []string{"Origin", strings.Replace(a.server.URL, "http:", "https:", 1)}},
		{"a page that hides where it is from", token, []string{"Origin", "null", "Sec-Fetch-Site", "cross-site"}},
		{"a browser that does not say", token, nil},
		{"no token", "", a.own()},
		{"a token made up", "AAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAA", a.own()},
		{"the token of another session", a.desk.token(strings.Repeat("A", ticketLength)), a.own()},
	} {
		if got := a.ask("POST", "/lock", url.Values{"token": {tt.token}}, tt.headers...); got.status != http.StatusForbidden {
			t.Errorf("%s: %d\n%s", tt.what, got.status, got.text)
		}
		if !a.open() {
			t.Fatalf("%s locked the desk", tt.what)
		}
	}
	if got := a.ask("POST", "/lock", url.Values{"token": {token}},
		a.own()...); got.status != http.StatusSeeOther || a.open() {
		t.Errorf("the desk's own form did not lock it: %d", got.status)
	}
	for _, method := range []string{"PUT", "DELETE", "PATCH", "TRACE", "OPTIONS"} {
		if got := a.ask(method, "/lock", nil, a.own()...); got.status != http.StatusMethodNotAllowed {
			t.Errorf("%s: %d", method, got.status)
		}
	}
}

// Nothing of the desk is had by a page of another site, and a link there leads to the doorstep, which leaves the
// session alone: the cookie does not come along, so it must not be replaced either.
func TestOtherSitesGetNothing(t *testing.T) {
	a := newAsker(t)
	a.unlock()
	for _, site := range []string{"cross-site", "same-site"} {
		for _, path := range []string{"/", "/static/desk.js", "/state", "/outbox"} {
			if got := a.ask("GET", path, nil, "Sec-Fetch-Site", site, "Sec-Fetch-Mode", "no-cors", "Sec-Fetch-Dest",
				"script"); got.status != http.StatusForbidden {
				t.Errorf("%s asked for %s and got %d", site, path, got.status)
			}
		}
		got := a.ask("GET", "/outbox", nil, "Sec-Fetch-Site", site, "Sec-Fetch-Mode", "navigate", "Sec-Fetch-Dest",
			"document")
		if got.status != 200 || !strings.Contains(got.text, "Go to the desk") || strings.Contains(got.text,
			"Outbox") || got.header.Get("Set-Cookie") != "" {
			t.Errorf("%s: a link led to %d with cookie %q:\n%s", site, got.status, got.header.Get("Set-Cookie"), got.text)
		}
		if got := a.ask("GET", "/outbox", nil, "Sec-Fetch-Site", site, "Sec-Fetch-Mode", "navigate", "Sec-Fetch-Dest",
			"iframe"); got.status != http.StatusForbidden {
			t.Errorf("%s: a frame got %d", site, got.status)
		}
	}
	if !a.open() {
		t.Error("another site's link locked the desk")
	}
}

// What browsers are told with every answer: Content Security Policy Level 3; RFC 6797's successor headers are from the
// Fetch and HTML standards.
func TestEveryAnswerIsGuarded(t *testing.T) {
	a := newAsker(t)
	check := func(what string, got deskAnswer) {
		t.Helper()
		policy := got.header.Get("Content-Security-Policy")
		for _, want := range []string{"default-src 'none'", "script-src 'self'", "style-src 'self'", "frame-ancestors 'none'", "form-action 'self'", "base-uri 'none'"} {
			if !strings.Contains(policy, want) {
				t.Errorf("%s: the policy %q lacks %s", what, policy, want)
			}
		}
		if strings.Contains(policy, "unsafe") || strings.Contains(policy, "*") {
			t.Errorf("%s: the policy is %q", what, policy)
		}
		for name, want := range map[string]string{"X-Frame-Options": "DENY", "X-Content-Type-Options": "nosniff", "Cache-Control": "no-store",
			"Referrer-Policy": "same-origin"} {
			if got.header.Get(name) != want {
				t.Errorf("%s: %s is %q", what, name, got.header.Get(name))
			}
		}
		for _, inline := range []string{" style=", " onclick", "<style", "javascript:", "http://", "https://"} {
			if strings.HasPrefix(got.header.Get("Content-Type"), "text/html") && strings.Contains(got.text, inline) {
				t.Errorf("%s has %q in it:\n%s", what, inline, got.text)
			}
		}
	}
	for _, path := range []string{"/", "/unlock", "/key", "/nothing", "/static/desk.css", "/static/nothing", "/static/../desk.go", "/state"} {
		check(path, a.ask("GET", path, nil))
	}
	check("a foreign host", a.ask("GET", "/", nil, "Host", "desk.invalid"))
	check("a forged form", a.ask("POST", "/lock", url.Values{}, "Origin", "https://desk.invalid"))
	first := a.ask("GET", "/unlock", nil)
	a.unlock()
	for _, path := range []string{"/", "/outbox", "/nothing", "/goldroom", "/papers/pour/a/b.pdf"} {
		check(path, a.ask("GET", path, nil))
	}
	a.jar, _ = cookiejar.New(nil)
	cookie := a.ask("GET", "/unlock", nil).header.Get("Set-Cookie")
	for _, want := range []string{"HttpOnly", "SameSite=Strict", "Path=/"} {
		if !strings.Contains(cookie, want) {
			t.Errorf("the cookie %q lacks %s (first page: %d)", cookie, want, first.status)
		}
	}
}

// A session name that was known before unlocking is worth nothing after it, and one browser's session is not another's.
func TestSessionsAreTheirOwn(t *testing.T) {
	a := newAsker(t)
	before := a.ask("GET", "/unlock", nil)
	_ = before
	at, _ := url.Parse(a.server.URL)
	planted := a.jar.Cookies(at)
	a.unlock()
	mine := a.jar
	a.jar, _ = cookiejar.New(nil)
	a.jar.SetCookies(at, planted)
	if a.open() {
		t.Error("the session name from before unlocking opens the desk")
	}
	a.jar, _ = cookiejar.New(nil)
	if a.open() {
		t.Error("another browser is let in")
	}
	a.unlock() // the other browser takes the desk over
	a.jar, mine = mine, a.jar
	if a.open() {
		t.Error("two sit at one desk")
	}
	a.jar = mine
	if !a.open() {
		t.Error("who unlocked last is not let in")
	}
}

// Left alone, the desk locks itself and the key is gone; looking at the state bar does not count as use.
func TestIdleDeskLocksItself(t *testing.T) {
	a := newAsker(t)
	a.unlock()
	a.clock.Store(int64(9 * time.Minute))
	if !a.open() {
		t.Fatal("it locked too early")
	}
	a.clock.Store(int64(18 * time.Minute))
	if got := a.ask("GET", "/state", nil); got.status != 200 {
		t.Fatalf("the state bar got %d", got.status)
	}
	a.clock.Store(int64(19*time.Minute) + 1)
	if got := a.ask("GET", "/state", nil); got.status != http.StatusUnauthorized {
		t.Errorf("the state bar got %d from a desk that was left alone", got.status)
	}
	if a.open() {
		t.Error("it is open still")
	}
	if !a.desk.station.Key().IsZero() {
		t.Error("the key is there still")
	}
}

// What was typed when the desk locked itself is there again after unlocking, but for passphrases.
func TestTypedFormSurvivesTheLock(t *testing.T) {
	a := newAsker(t)
	a.unlock()
	token := a.token("/")
	a.clock.Store(int64(11 * time.Minute))
	once := "0b6a9f0e-6f0b-4c1e-9a43-8f8d6f0f9a11"
	got := a.ask("POST", "/goldroom/pack", url.Values{"token": {token}, "once": {once}, "box_id": {"B-11"},
		"witness_passphrase": {"a secret of somebody"}}, a.own()...)
	where := got.header.Get("Location")
	if got.status != http.StatusSeeOther || !strings.HasPrefix(where, "/unlock?back=") || !strings.Contains(where, once) {
		t.Fatalf("it answered %d to %q", got.status, where)
	}
	kept, found := a.desk.form(once)
	if !found || kept.Values.Get("box_id") != "B-11" || kept.Values.Get("witness_passphrase") != "" || kept.Values.Get("token") != "" {
		t.Errorf("kept: %v %+v", found, kept)
	}
}

func TestUnlockRefusals(t *testing.T) {
	a := newAsker(t)
	try := func(key, words string) deskAnswer {
		return a.ask("POST", "/unlock", url.Values{"token": {a.token("/unlock")}, "key": {key}, "passphrase": {words},
			"back": {"//desk.invalid/"}}, a.own()...)
	}
	if got := try("key", "something else"); got.status != 422 || !strings.Contains(got.text,
		"does not open this key file") || strings.Contains(got.text, "something else") {
		t.Errorf("a wrong passphrase: %d\n%s", got.status, got.text)
	}
	if got := try("../key", passphrase); got.status != 422 || !strings.Contains(got.text, "Choose whose key") {
		t.Errorf("a file that is not listed: %d\n%s", got.status, got.text)
	}
	if a.open() {
		t.Error("it is open")
	}
	if got := try("key", passphrase); got.status != http.StatusSeeOther || got.header.Get("Location") != "/" {
		t.Errorf("it leads to %q", got.header.Get("Location"))
	}
}

// Passphrases do not cross a network in plain text.
func TestOnlyLoopbackWithoutTLS(t *testing.T) {
	ended, cancel := context.WithCancel(t.Context())
	cancel() // a desk that does serve ends at once
	err := Run(ended, Config{Home: t.TempDir(), Server: "127.0.0.1:1", Listen: "0.0.0.0:0"})
	if !refusal.Is(err, "LISTENER_WITHOUT_TLS") {
		t.Errorf("it served: %v", err)
	}
	d, err := New(Config{Home: t.TempDir(), Server: "127.0.0.1:1"})
	if err != nil {
		t.Fatal(err)
	}
	defer d.Close()
	for at, want := range map[string]bool{"127.0.0.1": true, "::1": true, "192.0.2.7": false, "0.0.0.0": false} {
		if _, _, err := d.transport(&net.TCPAddr{IP: net.ParseIP(at), Port: 1}); (err == nil) != want {
			t.Errorf("%s: %v", at, err)
		}
	}
	if err := Run(ended, Config{Home: t.TempDir(), Server: "127.0.0.1:1", Listen: "127.0.0.1:0"}); err != nil {
		t.Errorf("an orderly end: %v", err)
	}
}

// On any other address than loopback the desk has TLS, and the cookie is held to the host.
func TestDeskWithTLS(t *testing.T) {
	a := newAsker(t)
	secure := httptest.NewTLSServer(a.desk)
	defer secure.Close()
	response, err := secure.Client().Get(secure.URL + "/unlock")
	if err != nil {
		t.Fatal(err)
	}
	defer response.Body.Close()
	cookie := response.Header.Get("Set-Cookie")
	if response.StatusCode != 200 || !strings.HasPrefix(cookie, "__Host-desk=") || !strings.Contains(cookie, "Secure") {
		t.Errorf("%d with cookie %q", response.StatusCode, cookie)
	}
}

// request is a form as a handler gets it.
func (a *asker) request(form url.Values) *http.Request {
	r := httptest.NewRequest("POST", a.server.URL+"/", strings.NewReader(form.Encode()))
	r.Header.Set("Content-Type", "application/x-www-form-urlencoded")
	if err := r.ParseForm(); err != nil {
		a.t.Fatal(err)
	}
	return r
}

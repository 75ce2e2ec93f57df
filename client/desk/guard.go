package desk

import (
	"crypto/hmac"
	"crypto/rand"
	"crypto/sha256"
	"encoding/base64"
	"net"
	"net/http"
	"strings"
)

// The guard stands before every page. A desk holds an open key, so any page of any other site that this browser shows
// must be unable to ask it for anything:
//
//   - a request is taken only under this desk's own host name, so a foreign name that is made to resolve to this
//     machine (DNS rebinding) gets nothing;
//   - what changes something comes by POST from one of our own pages: Origin or Sec-Fetch-Site says so, and the form
//     carries a token that only our pages know;
//   - a page of ours is not framed, loads nothing from elsewhere and runs no script but its own (content security
//     policy), and is not kept by the browser's cache;
//   - the cookie is out of reach of scripts and does not come with requests that another site began.

// policy is the content security policy of every page.
const policy = "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self'; connect-src 'self'; " +
	"form-action 'self'; base-uri 'none'; frame-ancestors 'none'"

// ServeHTTP implements http.Handler.
func (d *Desk) ServeHTTP(w http.ResponseWriter, r *http.Request) {
	h := w.Header()
	h.Set("Content-Security-Policy", policy)
	h.Set("X-Frame-Options", "DENY")
	h.Set("X-Content-Type-Options", "nosniff")
	h.Set("Referrer-Policy", "same-origin") // not no-referrer: then a form of ours would say that it comes from nowhere
	h.Set("Cache-Control", "no-store")
	h.Set("Cross-Origin-Opener-Policy", "same-origin")
	h.Set("Cross-Origin-Resource-Policy", "same-origin")
	h.Set("Permissions-Policy", "camera=(self), microphone=(), geolocation=(), payment=()")
	if !d.ourName(r.Host) {
		plainRefusal(w, http.StatusMisdirectedRequest,
			"This desk is not known under that name. Open it by the address it printed when it started.")
		return
	}
	switch r.Method {
	case http.MethodGet, http.MethodHead:
		if foreign(r) {
			d.doorstep(w, r)
			return
		}
	case http.MethodPost:
		if !fromOurPage(r) {
			plainRefusal(w, http.StatusForbidden,
				"This was not sent from a page of this desk, so nothing was done. Open the desk itself and do it there.")
			return
		}
		r.Body = http.MaxBytesReader(w, r.Body, maxBody)
	default:
		h.Set("Allow", "GET, HEAD, POST")
		plainRefusal(w, http.StatusMethodNotAllowed, "The desk takes GET and POST.")
		return
	}
	d.mux.ServeHTTP(w, r)
}

// ourName reports whether a Host header names this desk.
func (d *Desk) ourName(host string) bool {
	if name, _, err := net.SplitHostPort(host); err == nil {
		host = name
	}
	return d.names[strings.ToLower(strings.Trim(host, "[]"))]
}

// foreign reports whether another site had the browser ask. An older browser does not say; the cookie does not come
// along then either.
func foreign(r *http.Request) bool {
	site := r.Header.Get("Sec-Fetch-Site")
	return site == "cross-site" || site == "same-site"
}

// doorstep answers a request that another site began. A person who followed a link goes on by one of ours; their
// cookie, which did not come along, is left alone. Anything else gets nothing.
func (d *Desk) doorstep(w http.ResponseWriter, r *http.Request) {
	if r.Header.Get("Sec-Fetch-Mode") != "navigate" || r.Header.Get("Sec-Fetch-Dest") != "document" {
		plainRefusal(w, http.StatusForbidden, "Another site asked for this. The desk answers its own pages only.")
		return
	}
	d.looks.write(w, http.StatusOK, "doorstep.html", view{Title: "Open the desk"})
}

// fromOurPage demands that the browser says where a POST comes from, and that it comes from here.
func fromOurPage(r *http.Request) bool {
	scheme := "http://"
	if r.TLS != nil {
		scheme = "https://"
	}
	if origin := r.Header.Get("Origin"); origin != "" {
		return origin == scheme+r.Host
	}
	return r.Header.Get("Sec-Fetch-Site") == "same-origin"
}

// plainRefusal answers without a page of ours.
func plainRefusal(w http.ResponseWriter, status int, text string) {
	w.Header().Set("Content-Type", "text/plain; charset=utf-8")
	w.WriteHeader(status)
	_, _ = w.Write([]byte(text + "\n")) // the asker may be gone
}

// ticketName is the name of the cookie. With TLS its prefix has the browser hold it to this host.
func ticketName(r *http.Request) string {
	if r.TLS != nil {
		return "__Host-desk"
	}
	return "desk"
}

// ticket is what the browser shows: a random text, the session's name.
func ticket(r *http.Request) string {
	cookie, err := r.Cookie(ticketName(r))
	if err != nil || len(cookie.Value) != ticketLength {
		return ""
	}
	return cookie.Value
}

const ticketLength = 43 // 32 bytes in base64url

// newTicket gives the browser a new session name.
func newTicket(w http.ResponseWriter, r *http.Request) string {
	var b [32]byte
	_, _ = rand.Read(b[:]) // it never fails
	value := base64.RawURLEncoding.EncodeToString(b[:])
	http.SetCookie(w, &http.Cookie{Name: ticketName(r), Value: value, Path: "/", HttpOnly: true, Secure: r.TLS != nil,
		SameSite: http.SameSiteStrictMode})
	return value
}

// token returns what a form of a session must carry. It is made of the session's name with a secret of this run, so
// nothing need be kept for it, and a form from before a restart is found out.
func (d *Desk) token(ticket string) string {
	mac := hmac.New(sha256.New, d.secret[:])
	mac.Write([]byte("barward desk form v1\x00" + ticket))
	return base64.RawURLEncoding.EncodeToString(mac.Sum(nil))
}

func (d *Desk) tokenFits(ticket, token string) bool {
	return ticket != "" && hmac.Equal([]byte(d.token(ticket)), []byte(token))
}

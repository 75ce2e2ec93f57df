// Package desk is the browser client: a local web app for one workstation, for people who do not live in a terminal. It
// serves pages on loopback, holds the open key of the person who sits there, and keeps the outbox and the last
// checkpoint through package station. It works while the link is down, and talks gRPC to the service when it is up.
//
// # Invariants
//
//  1. The browser never sees a key. A passphrase is typed into a form, opens a key in this process, and is written
//     nowhere.
//  2. One person sits at the desk at a time. Left alone for Config.Idle it locks itself and forgets the key; a
//     witness's key is open only while their signature is made.
//  3. Nothing changes by GET. What changes something comes by POST from one of the desk's own pages, with the token of
//     the session (guard.go says against what each check stands).
//  4. What is typed into a pour is on the disk at every change, and a scan before it is answered; what is signed is in
//     the outbox before the page answers. A form that is sent twice signs once (sign.go), and so does a scan
//     (bay_shift.go).
//  5. What is called recorded was proven to be in the log. A page that is not fresh says from when it is (seen.go).
//  6. Nothing is said by colour or sign alone; every page passes the accessibility checks that the tests run.
//
// Pages are html/template with one script that makes them quicker and is not needed (static/desk.js). No rule of the
// trade lives here: verdicts come from the pure rooms, refusals from the service. Standards: RFC 9110 and 9562, Fetch
// metadata, Content Security Policy Level 3, WCAG 2.2 AA. Left out: two people at once at one workstation; the command
// line's administration (parties, people, balances, prices).
//
// # Adding a page
//
// A room is a function that returns its name, who may enter, and its pages; rooms.go lists the rooms. A page is a
// pattern of net/http's ServeMux and a method of visit:
//
//	func bay() room {
//		return room{Name: "Receiving bay", Path: "/bay", Key: "b", Words: "Open boxes, scan bars.",
//			open:  func(s *seat) bool { return s.Kind == identity.Refinery && s.May(identity.BarReceived) },
//			pages: []page{{"GET /bay", (*visit).bay}, {"GET /bay/lot", (*visit).lot}, {"POST /bay/lot", (*visit).lot}}}
//	}
//
//	func (v *visit) lot() error {
//		f := v.form()                       // what was typed; after a lock or a refusal (?again=) too
//		if v.posted() {
//			body := &pb.LotOpened{LotId: f.need("lot_id", "Give the lot a number."), …}
//			if f.Good() {
//				err := v.sign(f, "Lot "+body.GetLotId(), body) // signs, keeps, sends, waits a little, tells
//				if err == nil {
//					return v.redirect("/bay")
//				}
//				if !f.refuse(err) { // beside the input that bears the name of the field
//					return err
//				}
//			}
//			v.status = 422
//		}
//		bars, seen, err := v.page(pb.ThingKind_THING_KIND_BAR, filterOf("state", "RECEIVED"), token, pageSize)
//		…
//		return v.show("bay_lot.html", "Open a lot", map[string]any{"Form": f, "Bars": bars, "Seen": seen})
//	}
//
// Its template is pages/bay_lot.html and defines "main"; the shell puts the navigation and the state bar around it.
// Forms are made of the parts in pages/parts.html:
//
//	{{define "main"}}{{$ := .}}{{with .Page}}<h1>Open a lot</h1>{{template "asof" .Seen}}{{template "fault" .}}
//	<form method="post" action="/bay/lot" class="panel">{{template "token" $}}{{template "once" .Form}}
//	{{template "field" (input .Form "lot_id" "Number of the lot" "required" "focus" "hint=As painted on the tray.")}}
//	<p class="actions"><button>Sign the lot</button></p></form>{{end}}{{end}}
//
// Inputs bear the names of the event's fields. Every form that signs has {{template "once" .Form}}. Links and buttons
// are words. A form with data-live="/path" is posted to that path as it is typed, and the answer (visit.answer)
// replaces parts of the page by id; a table with data-rows takes Enter to the next field and makes rows. A page that is
// waiting for the sender bears an element with data-await. A style that pages need goes into static/desk.css, under a
// heading of its room; a script of a room is a file of its own in static, loaded by its pages with <script src defer>
// in "main".
//
// Tests (place_test.go, browse_test.go): newPlace starts a real server with the demonstration's people and a desk
// before it; browse gives a browser tab of the one browser that all tests share; p.snap(name) keeps a screenshot and
// has axe-core look at the page as it stands, at three sizes, light and dark. Every page is snapped by some test.
//
// Whose files: goldroom*, pour*, packing* (gold room); bay* (receiving); office*, trace*, papers* (office and
// documents); the shell is everything else.
package desk

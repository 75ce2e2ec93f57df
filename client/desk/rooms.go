package desk

import "net/http"

// A room is a part of the desk that some roles use: its place in the navigation, and its pages.
type room struct {
	Name  string // as people call it
	Path  string // its first page, such as /goldroom
	Key   string // access key, one letter
	Words string // what is done there, in a line
	open  func(*seat) bool
	warm  func(*visit) error // looks at what the room needs when the link is down; may be nil
	pages []page
}

// A page is one pattern of net/http's ServeMux and what answers it. Whoever asks must sit at the desk, and the page's
// room must be open to them.
type page struct {
	pattern string // such as "GET /goldroom/pack"
	do      func(*visit) error
}

// rooms lists the rooms in the order of the metal's way. A new room is one line here and a file of its own.
func rooms() []room {
	return []room{
		goldRoom(),
		bay(),
		officeRoom(),
		traceRoom(),
		outboxRoom(),
	}
}

// routes puts every page on its pattern.
func (d *Desk) routes() *http.ServeMux {
	mux := http.NewServeMux()
	mux.Handle("GET /static/", http.HandlerFunc(d.static))
	mux.Handle("GET /unlock", d.open((*visit).unlockPage))
	mux.Handle("POST /unlock", d.open((*visit).unlock))
	mux.Handle("POST /lock", d.open((*visit).lockUp))
	mux.Handle("GET /key", d.open((*visit).newKeyPage))
	mux.Handle("POST /key", d.open((*visit).newKey))
	mux.Handle("GET /state", d.open((*visit).state))
	mux.Handle("GET /{$}", d.seated(nil, (*visit).start))
	mux.Handle("GET /papers/{kind}/{name...}", d.seated(nil, (*visit).paper))
	for _, r := range rooms() {
		for _, p := range r.pages {
			mux.Handle(p.pattern, d.seated(&r, p.do))
		}
	}
	mux.Handle("/", d.seated(nil, (*visit).nowhere))
	return mux
}

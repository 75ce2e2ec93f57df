package main

import (
	"context"
	"encoding/json"
	"errors"
	"log/slog"
	"net"
	"net/http"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"sync"
	"time"

	"barward/internal/ledger"
	"barward/internal/refusal"
	"barward/internal/service"
)

// The operator's socket lets who keeps a running server have it do what needs its ledger: a Unix socket beside the
// ledger, which only the server's own user and root may open. It speaks HTTP, so that a script can use it too:
//
//	POST   /tasks/{name}  with {"file": "..."}: does the task, and answers line by line in JSON: {"progress": ...} as it
//	                      goes on, then {"answer": ...} or {"refusal": ...}. Hanging up cancels it.
//	GET    /tasks         what is being done
//	DELETE /tasks/{id}    cancels it
//
// One task of a name runs at a time. No token is asked for: who can open the socket can read the ledger's file as well.

const (
	maxTaskRequest = 16 << 10 // bytes
	maxSocketPath  = 100      // bytes; systems allow 104 to 108
	progressEvery  = time.Second
)

// request is what a task is given.
type request struct {
	File string `json:"file,omitempty"` // path that a backup or an export is written to, absolute
}

// line is one line of an answer. One of its fields is set.
type line struct {
	Progress *progress       `json:"progress,omitempty"`
	Answer   json.RawMessage `json:"answer,omitempty"`
	Refusal  *refused        `json:"refusal,omitempty"`
}

// progress says how far a task is.
type progress struct {
	ID          uint64  `json:"id"`
	Task        string  `json:"task"`
	Unit        string  `json:"unit"` // of done and total: entries or bytes
	Done        uint64  `json:"done"`
	Total       uint64  `json:"total"`
	PerSecond   float64 `json:"per_second"`
	SecondsLeft float64 `json:"seconds_left"`
}

// refused is a refusal on its way to the operator, with its causes: whoever runs the server may see them.
type refused struct {
	Kind    refusal.Kind `json:"kind"`
	Reason  string       `json:"reason"`
	Field   string       `json:"field,omitempty"`
	Message string       `json:"message"`
	Because []string     `json:"because,omitempty"`
}

// operator does tasks for whoever opens its socket.
type operator struct {
	ledger  *ledger.Ledger
	key     logKey
	service *service.Service
	since   time.Time
	log     *slog.Logger

	mu      sync.Mutex
	last    uint64
	running map[uint64]*doing
	work    sync.WaitGroup
	ended   bool
}

type doing struct {
	progress
	cancel context.CancelFunc
}

// listenOperator makes the socket. The ledger's lock is held by then, so a socket that is there already belongs to a
// server that died.
func listenOperator(path string) (net.Listener, error) {
	failed := func(err error) error {
		return refusal.New(refusal.Unavailable, "OPERATOR_SOCKET_FAILED", "operator_socket",
			"The operator's socket %s cannot be made. Name a path of at most %d bytes in a folder that may be written to, or "+
				"`none`.", path, maxSocketPath).About(path).Because(err)
	}
	if len(path) > maxSocketPath {
		return nil, failed(errors.New("its path has " + strconv.Itoa(len(path)) + " bytes"))
	}
	if info, err := os.Lstat(path); err == nil {
		if info.Mode().Type() != os.ModeSocket {
			return nil, failed(errors.New("there is another file"))
		}
		if err := os.Remove(path); err != nil {
			return nil, failed(err)
		}
	}
	l, err := net.Listen("unix", path)
	if err != nil {
		return nil, failed(err)
	}
	// Between the two calls the socket has the permissions that the umask left; who came in then is turned away by
	// samePeople, where the system tells who it is.
	if err := os.Chmod(path, 0o600); err != nil {
		return nil, failed(errors.Join(err, l.Close()))
	}
	return samePeople{l}, nil
}

// samePeople accepts connections of the server's own user and of root.
type samePeople struct{ net.Listener }

func (s samePeople) Accept() (net.Conn, error) {
	for {
		conn, err := s.Listener.Accept()
		if err != nil {
			return nil, err
		}
		if peerIsOwner(conn) {
			return conn, nil
		}
		_ = conn.Close()
	}
}

// server serves the socket's pages. Tasks end when ctx does.
func (o *operator) server(ctx context.Context) *http.Server {
	o.running = map[uint64]*doing{}
	pages := http.NewServeMux()
	pages.HandleFunc("POST /tasks/{name}", o.start)
	pages.HandleFunc("GET /tasks", func(w http.ResponseWriter, _ *http.Request) {
		w.Header().Set("Content-Type", "application/json")
		_ = json.NewEncoder(w).Encode(o.list())
	})
	pages.HandleFunc("DELETE /tasks/{id}", func(w http.ResponseWriter, r *http.Request) {
		id, err := strconv.ParseUint(r.PathValue("id"), 10, 64)
		if err != nil || !o.cancel(id) {
			http.Error(w, "no such task", http.StatusNotFound)
			return
		}
		w.WriteHeader(http.StatusNoContent)
	})
	return &http.Server{Handler: pages, ReadHeaderTimeout: monitorHeader, MaxHeaderBytes: monitorBytes,
		ErrorLog:    slog.NewLogLogger(o.log.Handler(), slog.LevelDebug),
		BaseContext: func(net.Listener) context.Context { return ctx }}
}

func (o *operator) list() []progress {
	o.mu.Lock()
	defer o.mu.Unlock()
	all := []progress{}
	for _, d := range o.running {
		all = append(all, d.progress)
	}
	slices.SortFunc(all, func(a, b progress) int { return int(a.ID) - int(b.ID) })
	return all
}

func (o *operator) cancel(id uint64) bool {
	o.mu.Lock()
	defer o.mu.Unlock()
	d := o.running[id]
	if d == nil {
		return false
	}
	d.cancel()
	return true
}

// begin takes a place for a task, or says why there is none.
func (o *operator) begin(name, unit string, cancel context.CancelFunc) (*doing, error) {
	o.mu.Lock()
	defer o.mu.Unlock()
	if o.ended {
		return nil, refusal.New(refusal.Unavailable, "SHUTTING_DOWN", "",
			"The server is shutting down. Ask again when it is back.")
	}
	for _, d := range o.running {
		if d.Task == name && name != "status" {
			return nil, refusal.New(refusal.Precondition, "TASK_RUNNING", "",
				"The server is doing a %s already, task %d. Wait for it, or cancel it.", name, d.ID)
		}
	}
	o.last++
	d := &doing{progress: progress{ID: o.last, Task: name, Unit: unit}, cancel: cancel}
	o.running[d.ID] = d
	o.work.Add(1)
	return d, nil
}

func (o *operator) end(d *doing) {
	o.mu.Lock()
	defer o.mu.Unlock()
	delete(o.running, d.ID)
	o.work.Done()
}

// wait lets no task begin any more and returns when none runs. Their context has ended before.
func (o *operator) wait() {
	o.mu.Lock()
	o.ended = true
	o.mu.Unlock()
	o.work.Wait()
}

// start does a task and answers line by line.
func (o *operator) start(w http.ResponseWriter, r *http.Request) {
	w.Header().Set("Content-Type", "application/x-ndjson")
	flush := http.NewResponseController(w)
	say := func(l line) {
		if json.NewEncoder(w).Encode(l) == nil {
			_ = flush.Flush()
		}
	}
	answer, err := o.do(r, say)
	if err != nil {
		say(line{Refusal: refusedBy(err)})
		return
	}
	text, err := json.Marshal(answer)
	if err != nil {
		say(line{Refusal: refusedBy(err)})
		return
	}
	say(line{Answer: text})
}

func (o *operator) do(r *http.Request, say func(line)) (answer any, err error) {
	name := r.PathValue("name")
	t, ok := tasks[name]
	if !ok {
		return nil, refusal.New(refusal.NotFound, "TASK_UNKNOWN", "", "There is no task %.40q.", name)
	}
	var req request
	in := json.NewDecoder(http.MaxBytesReader(nil, r.Body, maxTaskRequest))
	in.DisallowUnknownFields()
	if err := in.Decode(&req); err != nil {
		return nil, refusal.Invalidf("TASK_MALFORMED", "", "What the task is to do cannot be read: send JSON with its file.").
			Because(err)
	}
	if (name == "backup" || name == "export") && !filepath.IsAbs(req.File) {
		return nil, refusal.Invalidf("FILE_NOT_ABSOLUTE", "file",
			"%.200q is no absolute path; the server's folder is not yours.", req.File)
	}
	ctx, cancel := context.WithCancel(r.Context())
	defer cancel()
	d, err := o.begin(name, t.unit, cancel)
	if err != nil {
		return nil, err
	}
	defer o.end(d)
	begin := time.Now()
	pace := newPace(begin)
	o.log.Info("task", "task", name, "id", d.ID, "file", req.File)
	answer, err = t.run(ctx, opened{o.ledger, o.key, req.File, o.service, o.since}, func(done, total uint64) {
		now := time.Now()
		rate, left, due := pace.step(now, done, total)
		o.mu.Lock()
		d.Done, d.Total, d.PerSecond, d.SecondsLeft = done, total, rate, left
		at := d.progress
		o.mu.Unlock()
		if due {
			say(line{Progress: &at})
		}
	})
	reason := ""
	if r := refusal.As(err); r != nil {
		reason = r.Reason
	}
	o.log.Info("task ended", "task", name, "id", d.ID, "took", time.Since(begin), "done", err == nil, "reason", reason)
	return answer, err
}

// pace turns how far something is into a rate and the time left, and says once a second that it is worth telling.
type pace struct{ begin, told time.Time }

func newPace(begin time.Time) *pace { return &pace{begin, begin} }

func (p *pace) step(now time.Time, done, total uint64) (rate, left float64, due bool) {
	if seconds := now.Sub(p.begin).Seconds(); seconds > 0 {
		rate = float64(done) / seconds
	}
	if rate > 0 && total > done {
		left = float64(total-done) / rate
	}
	if due = now.Sub(p.told) >= progressEvery && total > 0; due {
		p.told = now
	}
	return rate, left, due
}

func refusedBy(err error) *refused {
	r := refusal.As(err)
	if r == nil {
		return &refused{Kind: refusal.Internal, Reason: "FAILED", Message: err.Error()}
	}
	said := &refused{Kind: r.Kind, Reason: r.Reason, Field: r.Field, Message: r.Text}
	for cause := r.Cause; cause != nil; cause = errors.Unwrap(cause) {
		said.Because = append(said.Because, cause.Error())
	}
	return said
}

// error makes of it again what it was on the other side.
func (r *refused) error() error {
	made := &refusal.Error{Kind: r.Kind, Reason: r.Reason, Field: r.Field, Text: r.Message}
	var cause error
	for _, text := range slices.Backward(r.Because) {
		cause = &because{text, cause}
	}
	if cause != nil {
		made.Cause = cause
	}
	return made
}

// because is one link of a chain of causes.
type because struct {
	text  string
	under error
}

func (b *because) Error() string { return b.text }
func (b *because) Unwrap() error { return b.under }

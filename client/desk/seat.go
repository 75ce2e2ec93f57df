package desk

import (
	"context"
	"crypto/rand"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"time"

	"barward/client/station"
	"barward/internal/identity"
	"barward/internal/refusal"
	pb "barward/proto/barward/v1"
)

// seat is the person who sits at the desk, from unlocking to locking. There is one at a time: a desk is one
// workstation.
type seat struct {
	Name   string // as people write it
	Person string // `party/person`; empty while the service has not said
	Party  string
	Kind   identity.PartyKind
	Roles  []identity.Role
	File   string // the key file, by its short name

	key    identity.Key
	ticket string
}

// Known reports whether it is known who the person is.
func (s *seat) Known() bool { return s.Party != "" && len(s.Roles) > 0 }

// May reports whether one of the person's roles lets them record an event.
func (s *seat) May(event identity.EventKind) bool {
	return slices.ContainsFunc(s.Roles, func(role identity.Role) bool { return identity.May(s.Kind, role, event) })
}

// roleNames writes roles as they are kept on the disk.
func roleNames(roles []identity.Role) string {
	var names []string
	for _, role := range roles {
		names = append(names, string(role))
	}
	return strings.Join(names, " ")
}

// RoleWords are the roles in words.
func (s *seat) RoleWords() string {
	var words []string
	for _, role := range s.Roles {
		words = append(words, strings.ReplaceAll(string(role), "_", " "))
	}
	return strings.Join(words, ", ")
}

// KeyText is the public key, for whoever enrols it.
func (s *seat) KeyText() string { return string(s.key.ID()) }

// flash is something to tell the person on the next page.
type flash struct {
	Kind  string // done, waits or wrong: said in words too
	Text  string
	Lines []string
	Links []Option // what to do next, each opened in a window of its own
}

// sitting returns the seat of a ticket and marks its use; nil if there is none or it was left too long.
func (d *Desk) sitting(ticket string, use bool) *seat {
	d.mu.Lock()
	defer d.mu.Unlock()
	if d.seat == nil || ticket == "" || d.seat.ticket != ticket {
		return nil
	}
	now := d.now()
	if now.Sub(d.touched) > d.c.Idle {
		d.leave("it was left alone")
		return nil
	}
	if use {
		d.touched = now
	}
	return d.seat
}

// sit seats a person whose key was opened.
func (d *Desk) sit(s *seat) {
	d.mu.Lock()
	defer d.mu.Unlock()
	d.seat, d.touched, d.flashes, d.met, d.warmed = s, d.now(), nil, false, time.Time{}
	d.station.Use(s.key)
}

// leave forgets the key. The caller holds mu.
func (d *Desk) leave(why string) {
	if d.seat != nil {
		d.log.Info("locked", "person", d.seat.Person, "why", why)
	}
	d.seat, d.flashes = nil, nil
	d.station.Use(identity.Key{})
	d.sender.changed()
}

// lock forgets the key, whoever sits there.
func (d *Desk) lock(why string) {
	d.mu.Lock()
	defer d.mu.Unlock()
	d.leave(why)
}

// watchIdle locks a desk that was left alone, without waiting for somebody to ask for a page.
func (d *Desk) watchIdle() {
	d.mu.Lock()
	defer d.mu.Unlock()
	if d.seat != nil && d.now().Sub(d.touched) > d.c.Idle {
		d.leave("it was left alone")
	}
}

// tell keeps something to say on the next page.
func (d *Desk) tell(f flash) {
	d.mu.Lock()
	defer d.mu.Unlock()
	if d.seat != nil {
		d.flashes = append(d.flashes[max(0, len(d.flashes)-maxFlash+1):], f)
	}
}

func (d *Desk) told() []flash {
	d.mu.Lock()
	defer d.mu.Unlock()
	all := d.flashes
	d.flashes = nil
	return all
}

// keyFile is a key file that may be opened here.
type keyFile struct {
	ID   string // its name among the files listed
	Path string
	Name string // the person, as far as it is known: a file tells whose it is only to who opens it
	Note string // what is known beyond it
	of   nameOfKey
}

// nameOfKey is what the desk remembers of a key file that was opened here once.
type nameOfKey struct {
	Name  string `json:"name"`
	Party string `json:"party"`
	Roles string `json:"roles,omitempty"` // apart by blanks
}

// keyFiles lists the key files of the home and of the folders and files that were named, in order of name.
func (d *Desk) keyFiles() []keyFile {
	known := map[string]nameOfKey{}
	_, _ = d.kept.ReadJSON("keys.json", &known) // without it the files' own names serve
	var list []keyFile
	seen := map[string]bool{}
	add := func(path string) {
		path = filepath.Clean(path)
		if seen[path] || len(list) == maxKeys || !looksLikeKey(path) {
			return
		}
		seen[path] = true
		file := keyFile{ID: path, Path: path, Name: strings.TrimSuffix(filepath.Base(path), filepath.Ext(path))}
		if home, err := filepath.Rel(d.c.Home, path); err == nil && !strings.HasPrefix(home, "..") {
			file.ID = home
		}
		if file.Name == "key" { // the usual name; the folder says more
			file.Name = filepath.Base(filepath.Dir(path))
		}
		file.Note = "new here"
		if k, ok := known[path]; ok && k.Name != "" {
			file.Name, file.of = k.Name, k
			if k.Party != "" {
				file.Note = k.Party
			}
		}
		list = append(list, file)
	}
	folder := func(path string) {
		entries, err := os.ReadDir(path)
		if err != nil {
			return // a folder that is not there holds no keys
		}
		for _, e := range entries {
			if e.Type().IsRegular() {
				add(filepath.Join(path, e.Name()))
			}
		}
	}
	folder(d.c.Home)
	folder(filepath.Join(d.c.Home, "keys"))
	for _, path := range d.c.Keys {
		if info, err := os.Stat(path); err == nil && info.IsDir() {
			folder(path)
		} else {
			add(path)
		}
	}
	slices.SortStableFunc(list, func(a, b keyFile) int {
		return strings.Compare(strings.ToLower(a.Name),
			strings.ToLower(b.Name))
	})
	return list
}

// looksLikeKey reads the first line: a key file is an age file in its text form.
func looksLikeKey(path string) bool {
	file, err := os.Open(path)
	if err != nil {
		return false
	}
	defer file.Close()
	const first = "-----BEGIN AGE ENCRYPTED FILE-----"
	head := make([]byte, len(first))
	n, _ := file.Read(head)
	return string(head[:n]) == first
}

// openKey opens one of the key files listed. One at a time is opened: trying passphrases here is slow on purpose.
func (d *Desk) openKey(id, passphrase string) (identity.Key, keyFile, string, error) {
	files := d.keyFiles()
	at := slices.IndexFunc(files, func(f keyFile) bool { return f.ID == id })
	if at < 0 {
		return identity.Key{}, keyFile{}, "", refusal.Invalidf("KEY_NOT_CHOSEN", "key", "Choose whose key it is.")
	}
	d.opening.Lock()
	defer d.opening.Unlock()
	key, label, err := identity.LoadKey(files[at].Path, passphrase)
	if err != nil {
		return identity.Key{}, keyFile{}, "", err
	}
	d.rememberKey(files[at].Path, nameOfKey{Name: label})
	return key, files[at], label, nil
}

// rememberKey keeps whose a key file is. What is known already is not forgotten.
func (d *Desk) rememberKey(path string, n nameOfKey) {
	d.mu.Lock()
	defer d.mu.Unlock()
	known := map[string]nameOfKey{}
	_, _ = d.kept.ReadJSON("keys.json", &known)
	if n.Party == "" {
		n.Party = known[path].Party
	}
	if n.Roles == "" {
		n.Roles = known[path].Roles
	}
	if known[path] == n {
		return
	}
	known[path] = n
	if err := d.kept.WriteJSON("keys.json", known); err != nil {
		d.log.Warn("keys.json not written", "error", err)
	}
}

// remembered is what the service said of a person, for times without a link.
type remembered struct {
	Name, Person, Party string
	Kind                identity.PartyKind
	Roles               []identity.Role
}

// meet learns who the holder of a key is: from the service, else as it was last told. Whoever is not known at all keeps
// the name that the key file gives.
func (d *Desk) meet(ctx context.Context, s *seat) (*seat, error) {
	file := "people/" + string(s.key.ID()) + ".json"
	var r remembered
	found, _ := d.kept.ReadJSON(file, &r) // a file that cannot be read is made anew
	party, person, err := d.station.Identify(ctx)
	if err == nil {
		var fresh remembered
		if fresh, err = d.ask(ctx, s, party, person); err == nil {
			r, found = fresh, true
			if err := d.kept.WriteJSON(file, r); err != nil {
				d.log.Warn("person not remembered", "error", err)
			}
		}
	}
	if !found {
		return s, err
	}
	known := *s
	known.Person, known.Party, known.Kind, known.Roles = r.Person, r.Party, r.Kind, r.Roles
	if r.Name != "" {
		known.Name = r.Name
	}
	return &known, err
}

// ask reads a person and their party from the book.
func (d *Desk) ask(ctx context.Context, s *seat, party, person string) (remembered, error) {
	r := remembered{Name: s.Name, Person: person, Party: party}
	of, err := d.station.Get(ctx, pb.ThingKind_THING_KIND_PERSON, person)
	if err != nil {
		return r, err
	}
	if of.GetPerson().GetDisplayName() != "" {
		r.Name = of.GetPerson().GetDisplayName()
	}
	for _, role := range of.GetPerson().GetRoles() {
		r.Roles = append(r.Roles, identity.Role(strings.ToLower(strings.TrimPrefix(role.String(), "ROLE_"))))
	}
	whose, err := d.station.Get(ctx, pb.ThingKind_THING_KIND_PARTY, party)
	if err != nil {
		return r, err
	}
	r.Kind = identity.PartyKind(strings.ToLower(strings.TrimPrefix(whose.GetParty().GetKind().String(), "PARTY_KIND_")))
	return r, nil
}

// makeKey makes a key file for a person in the home's folder of keys.
func (d *Desk) makeKey(person, passphrase string) (identity.Key, string, error) {
	key, err := identity.NewKey(rand.Reader)
	if err != nil {
		return key, "", err
	}
	folder := filepath.Join(d.c.Home, "keys")
	if err := os.MkdirAll(folder, 0o700); err != nil {
		return key, "", station.NotKept(folder, err)
	}
	path := filepath.Join(folder, fileName(person)+"-"+string(key.ID())[:8])
	if err := identity.SaveKey(path, key, person, passphrase, identity.UsualWorkFactor); err != nil {
		return key, "", err
	}
	d.rememberKey(path, nameOfKey{Name: person})
	return key, path, nil
}

// fileName makes a name for a file of words: letters and digits stay.
func fileName(words string) string {
	var b strings.Builder
	for _, r := range strings.ToLower(words) {
		switch {
		case r >= 'a' && r <= 'z' || r >= '0' && r <= '9':
			b.WriteRune(r)
		case b.Len() > 0 && !strings.HasSuffix(b.String(), "-"):
			b.WriteByte('-')
		}
		if b.Len() > 40 {
			break
		}
	}
	if name := strings.Trim(b.String(), "-"); name != "" {
		return name
	}
	return "person"
}

package desk

import "strings"

// unlockPage says whose desk it is, and asks for a passphrase.
func (v *visit) unlockPage() error {
	if v.seat != nil {
		return v.redirect("/")
	}
	return v.showUnlock(v.form(), local(v.r.URL.Query().Get("back")))
}

func (v *visit) showUnlock(f *Form, back string) error {
	files := v.d.keyFiles()
	var options []Option
	for _, k := range files {
		options = append(options, Option{Value: k.ID, Text: k.Name + " (" + k.Note + ")"})
	}
	if len(files) > 0 && f.Get("key") == "" {
		f.Set("key", v.lastKey(files))
	}
	return v.show("unlock.html", "Unlock the desk", map[string]any{"Form": f, "Keys": options, "Back": back,
		"Home": v.d.c.Home})
}

// lastKey is the file that was opened last, so that one person alone types nothing but a passphrase.
func (v *visit) lastKey(files []keyFile) string {
	var last string
	_, _ = v.d.kept.ReadJSON("last-key.json", &last)
	for _, k := range files {
		if k.ID == last {
			return last
		}
	}
	return files[0].ID
}

// unlock opens the key and seats the person.
func (v *visit) unlock() error {
	f, back := v.form(), local(v.r.PostForm.Get("back"))
	key, file, label, err := v.d.openKey(f.Get("key"), v.r.PostForm.Get("passphrase"))
	if err != nil {
		if !f.refuse(err) {
			return err
		}
		v.status = 422
		return v.showUnlock(f, back)
	}
	s := &seat{Name: label, File: file.ID, key: key, ticket: newTicket(v.w, v.r)} // a new one: the old may be known
	v.d.sit(s)
	known, err := v.d.meet(v.ctx(), s)
	v.d.mu.Lock()
	if v.d.seat == s {
		v.d.seat, v.d.met = known, err == nil
	}
	v.d.mu.Unlock()
	if known.Known() {
		v.d.rememberKey(file.Path, nameOfKey{Name: known.Name, Party: known.Party,
			Roles: roleNames(known.Roles)})
	}
	if err := v.d.kept.WriteJSON("last-key.json", file.ID); err != nil {
		return err
	}
	v.d.log.Info("unlocked", "person", known.Person)
	v.d.sender.changed()
	return v.redirect(back)
}

// lockUp locks the desk.
func (v *visit) lockUp() error {
	if v.seat != nil {
		v.d.lock("its person locked it")
		newTicket(v.w, v.r)
	}
	return v.redirect("/unlock")
}

// newKeyPage is for who has no key yet.
func (v *visit) newKeyPage() error {
	return v.show("newkey.html", "Make a key", map[string]any{"Form": v.form()})
}

// newKey makes one and shows what the administrator needs of it.
func (v *visit) newKey() error {
	f := v.form()
	name := f.need("person", "Write your name as people know it, with what you do: Ibbet Quarrell, gold room.")
	passphrase := v.r.PostForm.Get("passphrase")
	if passphrase != v.r.PostForm.Get("passphrase_again") {
		f.Blame("passphrase_again", "The two are not the same. Type both again.")
	}
	if f.Good() {
		key, path, err := v.d.makeKey(name, passphrase)
		if err == nil {
			return v.show("newkey.html", "Your key is made", map[string]any{"Form": f, "Made": true, "Public": string(key.ID()),
				"Short": key.ID().Short(), "Path": strings.TrimPrefix(path, v.d.c.Home+"/"), "Name": name})
		}
		if !f.refuse(err) {
			return err
		}
	}
	v.status = 422
	return v.show("newkey.html", "Make a key", map[string]any{"Form": f})
}

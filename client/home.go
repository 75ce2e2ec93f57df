package main

import (
	"encoding/json"
	"errors"
	"io"
	"io/fs"
	"os"
	"path/filepath"

	"barward/internal/refusal"
)

// home is the folder that this command keeps between runs. README says what somebody who can alter each file could make
// us believe; none of them holds an open key.
type home struct{ folder string }

func (h home) path(name string) string { return filepath.Join(h.folder, name) }

// read returns a file, and false if there is none.
func (h home) read(name string) ([]byte, bool, error) {
	text, err := readFile(h.path(name), maxInput)
	if errors.Is(err, fs.ErrNotExist) {
		return nil, false, nil
	}
	return text, err == nil, err
}

// write replaces a file as a whole: after a crash the old one or the new one is there. Only its owner may read it.
func (h home) write(name string, text []byte) error {
	path := h.path(name)
	if err := os.MkdirAll(filepath.Dir(path), 0o700); err != nil {
		return notKept(path, err)
	}
	draft, err := os.CreateTemp(filepath.Dir(path), ".draft-*") // mode 0600
	if err != nil {
		return notKept(path, err)
	}
	_, err = draft.Write(text)
	err = errors.Join(err, draft.Sync(), draft.Close())
	if err == nil {
		err = os.Rename(draft.Name(), path)
	}
	if err != nil {
		_ = os.Remove(draft.Name())
		return notKept(path, err)
	}
	return nil
}

func notKept(path string, cause error) error {
	return refusal.New(refusal.Precondition, "HOME_NOT_WRITTEN", "--home",
		"%s could not be written (%v). See that the folder is yours and has room, or name another with --home.", path, cause).Because(cause)
}

func (h home) readJSON(name string, into any) (bool, error) {
	text, found, err := h.read(name)
	if err != nil || !found {
		return false, err
	}
	if err := json.Unmarshal(text, into); err != nil {
		return false, refusal.New(refusal.Precondition, "HOME_DAMAGED", "",
			"%s cannot be read: %v. Move it away; it will be made anew where it can be.",
			h.path(name), err).Because(err)
	}
	return true, nil
}

func (h home) writeJSON(name string, value any) error {
	text, err := json.MarshalIndent(value, "", "  ")
	if err != nil {
		return err
	}
	return h.write(name, append(text, '\n'))
}

// readFile reads a file of at most most bytes.
func readFile(path string, most int64) ([]byte, error) {
	file, err := os.Open(path)
	if err != nil {
		return nil, refusal.New(refusal.NotFound, "FILE_NOT_READ", "",
			"%s cannot be opened: %v. Give the path of a file you may read.",
			path, errors.Unwrap(err)).Because(err)
	}
	defer func() { _ = file.Close() }() // nothing was written
	return readAll(file, path, most)
}

func readAll(from io.Reader, name string, most int64) ([]byte, error) {
	text, err := io.ReadAll(io.LimitReader(from, most+1))
	if err != nil {
		return nil, refusal.New(refusal.Precondition, "FILE_NOT_READ", "", "%s cannot be read: %v.", name, err).Because(err)
	}
	if int64(len(text)) > most {
		return nil, refusal.New(refusal.Exhausted, "FILE_TOO_LARGE", "",
			"%s is larger than the %d bytes that are read. Split it.", name, most)
	}
	return text, nil
}

// input reads a file that a person named; `-` is standard input.
func (a *app) input(path string) ([]byte, error) {
	if path == "-" {
		return readAll(a.in, "standard input", maxInput)
	}
	return readFile(path, maxInput)
}

package station

import (
	"encoding/json"
	"errors"
	"io"
	"io/fs"
	"os"
	"path/filepath"

	"barward/internal/refusal"
)

// Home is the folder that a station keeps between runs. Names are relative, with slashes.
type Home struct{ Folder string }

// Path returns where a file of the home is.
func (h Home) Path(name string) string { return filepath.Join(h.Folder, filepath.FromSlash(name)) }

// Read returns a file, and false if there is none.
func (h Home) Read(name string) ([]byte, bool, error) {
	text, err := ReadFile(h.Path(name), MaxInput)
	if errors.Is(err, fs.ErrNotExist) {
		return nil, false, nil
	}
	return text, err == nil, err
}

// Write replaces a file as a whole and on the disk: after a crash the old one or the new one is there. Only its
// owner may read it.
func (h Home) Write(name string, text []byte) error { return h.put(name, text, os.Rename) }

// WriteNew is Write of a file that must not be there yet: fs.ErrExist is then the cause of the refusal.
func (h Home) WriteNew(name string, text []byte) error {
	return h.put(name, text, func(draft, path string) error {
		if err := os.Link(draft, path); err != nil {
			return err
		}
		return os.Remove(draft)
	})
}

func (h Home) put(name string, text []byte, place func(draft, path string) error) error {
	path := h.Path(name)
	if err := os.MkdirAll(filepath.Dir(path), 0o700); err != nil {
		return NotKept(path, err)
	}
	draft, err := os.CreateTemp(filepath.Dir(path), ".draft-*") // mode 0600
	if err != nil {
		return NotKept(path, err)
	}
	_, err = draft.Write(text)
	err = errors.Join(err, draft.Sync(), draft.Close())
	if err == nil {
		err = place(draft.Name(), path)
	}
	if err == nil {
		err = syncFolder(filepath.Dir(path))
	}
	if err != nil {
		_ = os.Remove(draft.Name())
		return NotKept(path, err)
	}
	return nil
}

// NotKept is the refusal of a home that cannot be written.
func NotKept(path string, cause error) error {
	return refusal.New(refusal.Precondition, "HOME_NOT_WRITTEN", "--home",
		"%s could not be written (%v). See that the folder is yours and has room, or name another with --home.", path,
		cause).Because(cause)
}

// ReadJSON reads a file of the home into a value, and returns false if there is none.
func (h Home) ReadJSON(name string, into any) (bool, error) {
	text, found, err := h.Read(name)
	if err != nil || !found {
		return false, err
	}
	if err := json.Unmarshal(text, into); err != nil {
		return false, refusal.New(refusal.Precondition, "HOME_DAMAGED", "",
			"%s cannot be read: %v. Move it away; it will be made anew where it can be.",
			h.Path(name), err).Because(err)
	}
	return true, nil
}

// WriteJSON is Write of a value.
func (h Home) WriteJSON(name string, value any) error {
	text, err := json.MarshalIndent(value, "", "  ")
	if err != nil {
		return err
	}
	return h.Write(name, append(text, '\n'))
}

// ReadFile reads a file of at most most bytes.
func ReadFile(path string, most int64) ([]byte, error) {
	file, err := os.Open(path)
	if err != nil {
		return nil, refusal.New(refusal.NotFound, "FILE_NOT_READ", "",
			"%s cannot be opened: %v. Give the path of a file you may read.",
			path, errors.Unwrap(err)).Because(err)
	}
	defer func() { _ = file.Close() }() // nothing was written
	return ReadAll(file, path, most)
}

// ReadAll reads a stream of at most most bytes; name is for the refusal.
func ReadAll(from io.Reader, name string, most int64) ([]byte, error) {
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

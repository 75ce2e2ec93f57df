package ledger_test

import (
	"bufio"
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"maps"
	"math/rand/v2"
	"os"
	"slices"
	"strings"
	"sync"
	"syscall"
	"time"

	"github.com/hanwen/go-fuse/v2/fs"
	"github.com/hanwen/go-fuse/v2/fuse"
)

// A disk that can be told to fail. It is a file system in user space with one folder, for the file "ledger" and what lies
// beside it, kept in memory, and it runs in a process of its own: a process that served the pages it has mapped would wait
// for itself. It keeps apart what was written and what was synced, so it can say what a power cut would have left.

func init() { children["disk"] = serveDisk }

// order is one line on the disk's input; it is answered by one line.
type order struct {
	Do string // load, fault, cut, go, image, slow, room, heal

	Path    string // load: the file's content, with what lies beside it. cut, image: images are Path.0, Path.1, ...
	Op      string // fault, cut: write or sync, or "" for either
	Name    string // fault, cut: of which file, or "" for any
	At      int    // fault, cut: from now on, the how-manieth such operation
	Errno   int    // fault: with which it fails, every time from then on, until Errno is 0
	Images  int    // cut, image: how many
	Seed    uint64 // cut, image: of the chance in them
	Millis  int    // slow: how long each operation takes
	MaxSize int    // room: bytes that all files may have together; 0: any
}

// unsynced is what reached the disk's cache since the last sync of a file: data at an offset, or, without data, a new size.
type unsynced struct {
	file   *file
	data   []byte
	offset int64
	size   int64
}

// renaming is a name that was given to a file, or with none taken away, since the last sync of the folder.
type renaming struct {
	name string
	file *file
}

// file is a file of the disk.
type file struct {
	fs.Inode

	disk   *disk
	name   string
	now    []byte // what a reader sees
	synced []byte // what a power cut leaves for sure
}

// disk is the folder, and what is common to its files.
type disk struct {
	fs.Inode

	mu      sync.Mutex
	names   map[string]*file // as a reader sees them
	kept    map[string]*file // as a power cut leaves them for sure
	pending []unsynced
	renamed []renaming

	fault, cut order
	slow       time.Duration
	room       int
	standing   chan struct{} // while a cut lasts, closed when it may go on: the ledger's goroutines all wait
	tell       func(string)
}

var (
	_ fs.NodeCreater   = (*disk)(nil)
	_ fs.NodeUnlinker  = (*disk)(nil)
	_ fs.NodeFsyncer   = (*disk)(nil)
	_ fs.NodeOpener    = (*file)(nil)
	_ fs.NodeReader    = (*file)(nil)
	_ fs.NodeWriter    = (*file)(nil)
	_ fs.NodeFsyncer   = (*file)(nil)
	_ fs.NodeGetattrer = (*file)(nil)
	_ fs.NodeSetattrer = (*file)(nil)
)

// operation is called with mu held before a write or a sync. It fails it, delays it, or takes a power cut's images.
func (d *disk) operation(op, name string) syscall.Errno {
	due := func(o *order) bool {
		if o.Do == "" || o.Op != "" && o.Op != op || o.Name != "" && o.Name != name {
			return false
		}
		o.At--
		return o.At <= 0
	}
	if due(&d.cut) {
		if err := d.images(d.cut); err != nil {
			d.tell("failed: " + err.Error())
		} else {
			d.tell("cut")
		}
		d.cut = order{}
	}
	for d.cut.Do == "" && d.standing != nil {
		wait := d.standing
		d.mu.Unlock()
		<-wait
		d.mu.Lock()
	}
	if d.slow > 0 {
		pause := d.slow
		d.mu.Unlock()
		time.Sleep(pause)
		d.mu.Lock()
	}
	if due(&d.fault) {
		return syscall.Errno(d.fault.Errno)
	}
	return 0
}

// full reports whether the files have no room for one of them to end at end.
func (d *disk) full(f *file, end int64) bool {
	if d.room == 0 {
		return false
	}
	all := max(0, int(end)-len(f.now))
	for _, f := range d.names {
		all += len(f.now)
	}
	return all > d.room
}

func (d *disk) Create(ctx context.Context, name string, _, _ uint32, _ *fuse.EntryOut) (*fs.Inode, fs.FileHandle, uint32, syscall.Errno) {
	d.mu.Lock()
	defer d.mu.Unlock()
	if errno := d.operation("write", name); errno != 0 {
		return nil, nil, 0, errno
	}
	f := &file{disk: d, name: name}
	d.names[name] = f
	d.renamed = append(d.renamed, renaming{name, f})
	return d.NewPersistentInode(ctx, f, fs.StableAttr{Mode: syscall.S_IFREG}), nil, 0, 0
}

func (d *disk) Unlink(_ context.Context, name string) syscall.Errno {
	d.mu.Lock()
	defer d.mu.Unlock()
	if errno := d.operation("write", name); errno != 0 {
		return errno
	}
	delete(d.names, name)
	d.renamed = append(d.renamed, renaming{name, nil})
	return 0
}

func (d *disk) Fsync(context.Context, fs.FileHandle, uint32) syscall.Errno {
	d.mu.Lock()
	defer d.mu.Unlock()
	errno := d.operation("sync", "")
	if errno == 0 {
		d.kept = maps.Clone(d.names)
		d.renamed = nil
	}
	return errno
}

func (f *file) Open(context.Context, uint32) (fs.FileHandle, uint32, syscall.Errno) { return nil, 0, 0 }

func (f *file) Read(_ context.Context, _ fs.FileHandle, into []byte, offset int64) (fuse.ReadResult, syscall.Errno) {
	f.disk.mu.Lock()
	defer f.disk.mu.Unlock()
	from := min(offset, int64(len(f.now)))
	n := copy(into, f.now[from:])
	return fuse.ReadResultData(into[:n]), 0
}

func (f *file) Write(_ context.Context, _ fs.FileHandle, data []byte, offset int64) (uint32, syscall.Errno) {
	d := f.disk
	d.mu.Lock()
	defer d.mu.Unlock()
	if errno := d.operation("write", f.name); errno != 0 {
		return 0, errno
	}
	if d.full(f, offset+int64(len(data))) {
		return 0, syscall.ENOSPC
	}
	w := unsynced{file: f, data: bytes.Clone(data), offset: offset}
	f.now = w.apply(f.now)
	d.pending = append(d.pending, w)
	return uint32(len(data)), 0
}

func (f *file) Fsync(context.Context, fs.FileHandle, uint32) syscall.Errno {
	d := f.disk
	d.mu.Lock()
	defer d.mu.Unlock()
	errno := d.operation("sync", f.name)
	// After a failed sync the kernel takes what it could not write for written: it stays readable, is never tried
	// again, and a power cut loses it.
	d.pending = slices.DeleteFunc(d.pending, func(w unsynced) bool {
		if w.file == f && errno == 0 {
			f.synced = w.apply(f.synced)
		}
		return w.file == f
	})
	return errno
}

func (f *file) Getattr(_ context.Context, _ fs.FileHandle, out *fuse.AttrOut) syscall.Errno {
	f.disk.mu.Lock()
	defer f.disk.mu.Unlock()
	out.Mode, out.Size = 0o600, uint64(len(f.now))
	return 0
}

func (f *file) Setattr(_ context.Context, _ fs.FileHandle, in *fuse.SetAttrIn, out *fuse.AttrOut) syscall.Errno {
	d := f.disk
	d.mu.Lock()
	defer d.mu.Unlock()
	if size, ok := in.GetSize(); ok {
		if errno := d.operation("write", f.name); errno != 0 {
			return errno
		}
		if d.full(f, int64(size)) {
			return syscall.ENOSPC
		}
		w := unsynced{file: f, size: int64(size)}
		f.now = w.apply(f.now)
		d.pending = append(d.pending, w)
	}
	out.Mode, out.Size = 0o600, uint64(len(f.now))
	return 0
}

// apply returns b after the write. It may change b.
func (w unsynced) apply(b []byte) []byte {
	end := w.size
	if w.data != nil {
		end = max(int64(len(b)), w.offset+int64(len(w.data)))
	}
	switch grow := end - int64(len(b)); {
	case grow > 0:
		b = append(b, make([]byte, grow)...)
	case grow < 0:
		b = b[:end:end]
	}
	copy(b[min(w.offset, int64(len(b))):], w.data)
	return b
}

const sector = 512 // bytes that a disk writes whole or not at all

// images writes what the power cut may leave: nothing that was not synced; all of it; then, as chance has it, some of
// the writes and names, in any order, one of them torn between sectors.
func (d *disk) images(o order) error {
	for i := range o.Images {
		random := rand.New(rand.NewPCG(o.Seed, uint64(i)))
		some := func() bool { return i == 1 || i > 1 && random.IntN(2) == 0 }
		names := maps.Clone(d.kept)
		for _, r := range d.renamed {
			switch {
			case !some():
			case r.file == nil:
				delete(names, r.name)
			default:
				names[r.name] = r.file
			}
		}
		content := map[*file][]byte{}
		for _, f := range names {
			content[f] = bytes.Clone(f.synced)
		}
		torn, sequence := -1, make([]int, len(d.pending))
		for n := range sequence {
			sequence[n] = n
		}
		if i > 1 && len(d.pending) > 0 {
			torn, sequence = random.IntN(len(d.pending)), random.Perm(len(d.pending))
		}
		for _, n := range sequence {
			w := d.pending[n]
			image, there := content[w.file]
			switch {
			case !there:
			case n == torn && w.data != nil:
				for from := 0; from < len(w.data); from += sector {
					if random.IntN(2) == 0 {
						part := w.data[from:min(from+sector, len(w.data))]
						image = unsynced{data: part, offset: w.offset + int64(from)}.apply(image)
					}
				}
				content[w.file] = image
			case i > 1 && w.data == nil && w.size < int64(len(image)): // a file does not shrink by what came before
			case some():
				content[w.file] = w.apply(image)
			}
		}
		path := fmt.Sprintf("%s.%d", o.Path, i)
		for _, name := range allNames {
			beside := path + strings.TrimPrefix(name, "ledger")
			f, there := names[name]
			if !there {
				if err := os.Remove(beside); err != nil && !errors.Is(err, os.ErrNotExist) {
					return err
				}
				continue
			}
			if err := os.WriteFile(beside, content[f], 0o600); err != nil {
				return err
			}
		}
	}
	return nil
}

// allNames are those that the folder knows.
var allNames = []string{"ledger", "ledger.journal-1", "ledger.journal-2"}

// load makes the folder hold what lies at a path, as if it had been there when the machine started.
func (d *disk) load(path string) error {
	d.names, d.pending, d.renamed = map[string]*file{}, nil, nil
	for _, name := range allNames {
		b, err := os.ReadFile(path + strings.TrimPrefix(name, "ledger"))
		if err != nil && (name == "ledger" || !errors.Is(err, os.ErrNotExist)) {
			return err
		}
		d.RmChild(name)
		if err == nil {
			f := &file{disk: d, name: name, now: b, synced: bytes.Clone(b)}
			d.names[name] = f
			d.AddChild(name, d.NewPersistentInode(context.Background(), f, fs.StableAttr{Mode: syscall.S_IFREG}), true)
		}
	}
	d.kept = maps.Clone(d.names)
	return nil
}

func (d *disk) obey(o order) (answer string) {
	d.mu.Lock()
	defer d.mu.Unlock()
	var err error
	switch o.Do {
	case "load":
		err = d.load(o.Path)
	case "fault":
		d.fault = o
		if o.Errno == 0 {
			d.fault = order{}
		}
	case "cut":
		d.cut, d.standing = o, make(chan struct{})
	case "go":
		close(d.standing)
		d.standing = nil
	case "image":
		err = d.images(o)
	case "slow":
		d.slow = time.Duration(o.Millis) * time.Millisecond
	case "room":
		d.room = o.MaxSize
	case "heal":
		d.fault, d.cut, d.slow, d.room = order{}, order{}, 0, 0
	default:
		err = errors.New("unknown order")
	}
	if err != nil {
		return "failed: " + err.Error()
	}
	return "done"
}

// serveDisk mounts the disk at path and obeys its input until that ends; then it unmounts, whoever still uses it.
func serveDisk(path string) {
	var out sync.Mutex
	tell := func(line string) {
		out.Lock()
		defer out.Unlock()
		fmt.Println(line)
	}
	d := &disk{tell: tell}
	lasts := time.Hour // nobody but its reader and writer changes the files
	_, err := fs.Mount(path, d, &fs.Options{
		EntryTimeout: &lasts, AttrTimeout: &lasts,
		MountOptions: fuse.MountOptions{DirectMount: os.Geteuid() == 0, FsName: "ledger-test", Name: "ledger-test"},
	})
	if err != nil {
		failChild(err)
	}
	tell("mounted")
	for lines := bufio.NewScanner(os.Stdin); lines.Scan(); {
		var o order
		if err := json.Unmarshal(lines.Bytes(), &o); err != nil {
			failChild(err)
		}
		answer := d.obey(o)
		if o.Do == "load" {
			for _, name := range allNames {
				d.NotifyEntry(name) // the kernel forgets what it knows
			}
		}
		tell(answer)
	}
	unmount(path)
	os.Exit(0)
}

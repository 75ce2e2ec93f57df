package ledger_test

import (
	"bufio"
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"math/rand/v2"
	"os"
	"sync"
	"syscall"
	"time"

	"github.com/hanwen/go-fuse/v2/fs"
	"github.com/hanwen/go-fuse/v2/fuse"
)

// A disk that can be told to fail. It is a file system in user space with one file, "ledger", kept in memory, and it
// runs in a process of its own: a process that served the pages it has mapped would wait for itself. It keeps apart
// what was written and what was synced, so it can say what a power cut would have left.

func init() { children["disk"] = serveDisk }

// order is one line on the disk's input; it is answered by one line.
type order struct {
	Do string // load, fault, cut, go, image, slow, room, heal

	Path    string // load: the file's content. cut, image: images are Path.0, Path.1, ...
	Op      string // fault, cut: write or sync, or "" for either
	At      int    // fault, cut: from now on, the how-manieth such operation
	Errno   int    // fault: with which it fails, every time from then on, until Errno is 0
	Images  int    // cut, image: how many
	Seed    uint64 // cut, image: of the chance in them
	Millis  int    // slow: how long each operation takes
	MaxSize int    // room: bytes that the file may have; 0: any
}

// write is what reached the disk's cache since the last sync: data at an offset, or, without data, a new size.
type unsynced struct {
	data   []byte
	offset int64
	size   int64
}

type disk struct {
	fs.Inode

	mu      sync.Mutex
	now     []byte // what a reader sees
	synced  []byte // what a power cut leaves for sure
	pending []unsynced

	fault, cut order
	slow       time.Duration
	room       int
	goOn       chan struct{} // closed when a cut may go on
	tell       func(string)
}

var (
	_ fs.NodeOpener    = (*disk)(nil)
	_ fs.NodeReader    = (*disk)(nil)
	_ fs.NodeWriter    = (*disk)(nil)
	_ fs.NodeFsyncer   = (*disk)(nil)
	_ fs.NodeGetattrer = (*disk)(nil)
	_ fs.NodeSetattrer = (*disk)(nil)
)

// operation is called with mu held before a write or a sync. It fails it, delays it, or takes a power cut's images.
func (d *disk) operation(op string) syscall.Errno {
	due := func(o *order) bool {
		if o.Do == "" || o.Op != "" && o.Op != op {
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
		wait := d.goOn
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

func (d *disk) Open(context.Context, uint32) (fs.FileHandle, uint32, syscall.Errno) { return nil, 0, 0 }

func (d *disk) Read(_ context.Context, _ fs.FileHandle, into []byte, offset int64) (fuse.ReadResult, syscall.Errno) {
	d.mu.Lock()
	defer d.mu.Unlock()
	from := min(offset, int64(len(d.now)))
	n := copy(into, d.now[from:])
	return fuse.ReadResultData(into[:n]), 0
}

func (d *disk) Write(_ context.Context, _ fs.FileHandle, data []byte, offset int64) (uint32, syscall.Errno) {
	d.mu.Lock()
	defer d.mu.Unlock()
	if errno := d.operation("write"); errno != 0 {
		return 0, errno
	}
	w := unsynced{data: bytes.Clone(data), offset: offset}
	if d.room > 0 && int(offset)+len(data) > d.room {
		return 0, syscall.ENOSPC
	}
	d.now = w.apply(d.now)
	d.pending = append(d.pending, w)
	return uint32(len(data)), 0
}

func (d *disk) Fsync(context.Context, fs.FileHandle, uint32) syscall.Errno {
	d.mu.Lock()
	defer d.mu.Unlock()
	errno := d.operation("sync")
	if errno == 0 {
		for _, w := range d.pending {
			d.synced = w.apply(d.synced)
		}
	}
	// After a failed sync the kernel takes what it could not write for written: it stays readable, is never tried
	// again, and a power cut loses it.
	d.pending = nil
	return errno
}

func (d *disk) Getattr(_ context.Context, _ fs.FileHandle, out *fuse.AttrOut) syscall.Errno {
	d.mu.Lock()
	defer d.mu.Unlock()
	out.Mode, out.Size = 0o600, uint64(len(d.now))
	return 0
}

func (d *disk) Setattr(_ context.Context, _ fs.FileHandle, in *fuse.SetAttrIn, out *fuse.AttrOut) syscall.Errno {
	d.mu.Lock()
	defer d.mu.Unlock()
	if size, ok := in.GetSize(); ok {
		if errno := d.operation("write"); errno != 0 {
			return errno
		}
		if d.room > 0 && int(size) > d.room {
			return syscall.ENOSPC
		}
		w := unsynced{size: int64(size)}
		d.now = w.apply(d.now)
		d.pending = append(d.pending, w)
	}
	out.Mode, out.Size = 0o600, uint64(len(d.now))
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
// the writes, in any order, one of them torn between sectors.
func (d *disk) images(o order) error {
	for i := range o.Images {
		random := rand.New(rand.NewPCG(o.Seed, uint64(i)))
		image := bytes.Clone(d.synced)
		switch i {
		case 0:
		case 1:
			for _, w := range d.pending {
				image = w.apply(image)
			}
		default:
			torn := -1
			if len(d.pending) > 0 {
				torn = random.IntN(len(d.pending))
			}
			for _, n := range random.Perm(len(d.pending)) {
				w := d.pending[n]
				switch {
				case n == torn && w.data != nil:
					for from := 0; from < len(w.data); from += sector {
						if random.IntN(2) == 0 {
							part := w.data[from:min(from+sector, len(w.data))]
							image = unsynced{data: part, offset: w.offset + int64(from)}.apply(image)
						}
					}
				case w.data == nil && w.size < int64(len(image)): // a file does not shrink by what came before
				case random.IntN(2) == 0:
					image = w.apply(image)
				}
			}
		}
		if err := os.WriteFile(fmt.Sprintf("%s.%d", o.Path, i), image, 0o600); err != nil {
			return err
		}
	}
	return nil
}

func (d *disk) obey(o order) (answer string) {
	d.mu.Lock()
	defer d.mu.Unlock()
	var err error
	switch o.Do {
	case "load":
		var b []byte
		b, err = os.ReadFile(o.Path)
		d.now, d.synced, d.pending = b, bytes.Clone(b), nil
	case "fault":
		d.fault = o
		if o.Errno == 0 {
			d.fault = order{}
		}
	case "cut":
		d.cut, d.goOn = o, make(chan struct{})
	case "go":
		close(d.goOn)
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

// root is the folder of the file system.
type root struct {
	fs.Inode
	disk *disk
}

func (r *root) OnAdd(ctx context.Context) {
	r.AddChild("ledger", r.NewPersistentInode(ctx, r.disk, fs.StableAttr{Mode: syscall.S_IFREG}), false)
}

// serveDisk mounts the disk at path and obeys its input until that ends; then it unmounts, whoever still uses it.
func serveDisk(path string) {
	var out sync.Mutex
	tell := func(line string) {
		out.Lock()
		defer out.Unlock()
		fmt.Println(line)
	}
	d := &disk{tell: tell, goOn: make(chan struct{})}
	lasts := time.Hour // nobody but its reader and writer changes the file
	_, err := fs.Mount(path, &root{disk: d}, &fs.Options{
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
			d.NotifyContent(0, 0) // the kernel forgets what it has cached
		}
		tell(answer)
	}
	unmount(path)
	os.Exit(0)
}

package evidence

import (
	"archive/zip"
	"bytes"
	"hash/crc32"
	"slices"
	"strconv"
	"strings"

	"barward/internal/refusal"
)

// member is one file inside a pack.
type member struct {
	name string
	data []byte
}

// pack writes members, which are sorted by name, in the one encoding that unpack takes.
func pack(members []member) ([]byte, error) {
	var out bytes.Buffer
	size := 0
	for _, m := range members {
		size += len(m.data) + 2*len(m.name) + 76 // its two headers
	}
	out.Grow(size + 22) // and the end of the list
	w := zip.NewWriter(&out)
	for _, m := range members {
		head := &zip.FileHeader{
			Name: m.name, Method: zip.Store, CRC32: crc32.ChecksumIEEE(m.data),
			CompressedSize64: uint64(len(m.data)), UncompressedSize64: uint64(len(m.data)),
			CreatorVersion: 20, ReaderVersion: 20,
			//lint:ignore SA1019 CreateRaw does not look at Modified, and adds nothing beside this field
			ModifiedDate: 1<<5 | 1, // 1980-01-01, the first day that ZIP knows
		}
		inside, err := w.CreateRaw(head) // raw, so that the sizes stand before the data and nothing is added
		if err != nil {
			return nil, err
		}
		if _, err := inside.Write(m.data); err != nil {
			return nil, err
		}
	}
	if err := w.Close(); err != nil {
		return nil, err
	}
	return out.Bytes(), nil
}

// unpack reads the members of a file that pack wrote, and refuses every other one: whatever the reader below overlooks
// or forgives, the same members packed again must give the same bytes. The members share the bytes of file.
//
// Reasons: EVIDENCE_TOO_LARGE, EVIDENCE_CONTAINER.
func unpack(file []byte) ([]member, error) {
	if len(file) > MaxPack {
		return nil, refusal.Invalidf("EVIDENCE_TOO_LARGE", "file", "The file has %d bytes; a pack has at most %d.",
			len(file), MaxPack).With("length", strconv.Itoa(len(file))).With("allowed", strconv.Itoa(MaxPack))
	}
	r, err := zip.NewReader(bytes.NewReader(file), int64(len(file)))
	if err != nil {
		return nil, badContainer("it is no ZIP file, or was cut").Because(err)
	}
	if len(r.File) > maxMembers {
		return nil, badContainer("it holds more than " + strconv.Itoa(maxMembers) + " files")
	}
	members := make([]member, 0, len(r.File))
	for _, f := range r.File {
		start, err := f.DataOffset()
		end := uint64(start) + f.UncompressedSize64
		if err != nil || f.Method != zip.Store || f.CompressedSize64 != f.UncompressedSize64 ||
			f.UncompressedSize64 > uint64(len(file)) || end > uint64(len(file)) {
			return nil, badContainer("a file inside is compressed, or its place is wrong").Because(err)
		}
		members = append(members, member{f.Name, file[start:end:end]})
	}
	if !slices.IsSortedFunc(members, func(a, b member) int { return strings.Compare(a.name, b.name) }) {
		return nil, badContainer("the files inside are not in order")
	}
	again, err := pack(members)
	if err != nil || !bytes.Equal(again, file) {
		return nil, badContainer("a byte of it is not as it was written").Because(err)
	}
	return members, nil
}

func badContainer(what string) *refusal.Error {
	return refusal.Invalidf("EVIDENCE_CONTAINER", "file",
		"This is not an evidence pack as one was written: %s. Do not repair it or pack it again; ask for the file once more.",
		what).With("found", what)
}

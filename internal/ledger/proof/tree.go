package proof

import (
	"math/bits"
	"strconv"

	"golang.org/x/mod/sumdb/tlog"

	"barward/internal/refusal"
)

// EmptyRoot is the root of the tree without entries: SHA-256 of nothing, RFC 6962 section 2.1.
var EmptyRoot, _ = tlog.TreeHash(0, nil) // reads nothing, cannot fail

// VerifyInclusion checks that the entry with this leaf hash is entry number seq (the first is 0) of the tree that at
// signs. path is the RFC 6962 audit path from the leaf upwards.
//
// Reasons: BEYOND_TREE if seq is not below the size, PROOF_TOO_LARGE, INCLUSION_INVALID.
func VerifyInclusion(at Checkpoint, seq uint64, leaf Hash, path []Hash) error {
	if err := checkSizes(at.Size, path); err != nil {
		return err
	}
	if seq >= at.Size {
		return refusal.New(refusal.OutOfRange, "BEYOND_TREE", "sequence",
			"Entry %d is not in a tree of %d entries, which are numbered from 0. Ask for a later checkpoint.", seq, at.Size).
			With("sequence", format(seq)).With("size", format(at.Size))
	}
	if err := tlog.CheckRecord(path, int64(at.Size), at.Root, int64(seq), leaf); err != nil {
		return refusal.Invalidf("INCLUSION_INVALID", "proof",
			"The proof does not show that this is entry %d of the tree of %d entries. Fetch entry, proof and checkpoint again; "+
				"if it stays so, keep all three: the log does not hold what it says.", seq, at.Size).
			With("sequence", format(seq)).With("size", format(at.Size)).Because(err)
	}
	return nil
}

// VerifyConsistency checks that the tree that next signs begins with exactly the entries of the tree that old signs.
// path is the RFC 6962 consistency proof; it is empty when old is empty or both have one size.
//
// Reasons: BEYOND_TREE if old is larger than next, PROOF_TOO_LARGE, CONSISTENCY_INVALID.
func VerifyConsistency(old, next Checkpoint, path []Hash) error {
	if err := checkSizes(next.Size, path); err != nil {
		return err
	}
	if old.Size > next.Size {
		return refusal.New(refusal.OutOfRange, "BEYOND_TREE", "size",
			"A tree of %d entries cannot be shown to continue one of %d. Give the smaller tree first.", next.Size, old.Size).
			With("old_size", format(old.Size)).With("size", format(next.Size))
	}
	ok := false
	if old.Size == 0 {
		// Every tree continues the empty one; the hashing library has no such case.
		ok = len(path) == 0 && old.Root == EmptyRoot && (next.Size > 0 || next.Root == EmptyRoot)
	} else {
		ok = tlog.CheckTree(path, int64(next.Size), next.Root, int64(old.Size), old.Root) == nil
	}
	if !ok {
		return refusal.Invalidf("CONSISTENCY_INVALID", "proof",
			"The proof does not show that the tree of %d entries continues the tree of %d. Fetch it again; if it stays so, keep "+
				"both signed checkpoints: they are evidence of a rewritten log.", next.Size, old.Size).
			With("old_size", format(old.Size)).With("size", format(next.Size))
	}
	return nil
}

func checkSizes(size uint64, path []Hash) error {
	if size > MaxTree {
		return refusal.Invalidf("CHECKPOINT_MALFORMED", "size",
			"The tree is said to have %d entries; at most %d are allowed. Fetch the checkpoint again.", size, uint64(MaxTree)).
			With("size", format(size)).With("allowed", format(MaxTree))
	}
	if len(path) > MaxProof {
		return refusal.Invalidf("PROOF_TOO_LARGE", "proof",
			"The proof has %d hashes; at most %d are allowed. Fetch it again.", len(path), MaxProof).
			With("length", strconv.Itoa(len(path))).With("allowed", strconv.Itoa(MaxProof))
	}
	return nil
}

func format(n uint64) string { return strconv.FormatUint(n, 10) }

// A Frontier is the right edge of a tree: the roots of the whole subtrees that its entries fill, one for each bit set in
// the size. It is all that is needed to append and to know the root, so a writer never reads a hash back. The zero value
// is the empty tree; copies are independent.
type Frontier struct {
	size  uint64
	roots [49]Hash // by level; the one at level i counts if bit i of size is set. 2^48 is MaxTree
}

// NewFrontier returns the frontier of a tree of size entries; root gives the hash of the n-th whole subtree at a level
// (level 0 is the leaves, n counts from 0 within a level).
func NewFrontier(size uint64, root func(level int, n uint64) (Hash, error)) (Frontier, error) {
	f := Frontier{size: size}
	if size > MaxTree {
		return Frontier{}, checkSizes(size, nil)
	}
	for level := range f.roots {
		if size>>level&1 == 0 {
			continue
		}
		h, err := root(level, size>>level-1)
		if err != nil {
			return Frontier{}, err
		}
		f.roots[level] = h
	}
	return f, nil
}

// Size returns the number of entries.
func (f *Frontier) Size() uint64 { return f.size }

// Append adds a leaf and appends to dst the hashes that it completes: its own, then its parents' upwards as far as it is
// the last leaf under them. RFC 6962 section 2.1.
func (f *Frontier) Append(dst []Hash, leaf Hash) []Hash {
	dst = append(dst, leaf)
	level := 0
	for ; f.size>>level&1 == 1; level++ {
		leaf = tlog.NodeHash(f.roots[level], leaf)
		dst = append(dst, leaf)
	}
	f.roots[level] = leaf
	f.size++
	return dst
}

// Root returns the root of the tree.
func (f *Frontier) Root() Hash {
	if f.size == 0 {
		return EmptyRoot
	}
	level := bits.TrailingZeros64(f.size)
	root := f.roots[level]
	for level++; f.size>>level != 0; level++ {
		if f.size>>level&1 == 1 {
			root = tlog.NodeHash(f.roots[level], root)
		}
	}
	return root
}

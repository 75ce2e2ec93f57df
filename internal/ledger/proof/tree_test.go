package proof

import (
	"encoding/hex"
	"fmt"
	"testing"

	"github.com/transparency-dev/merkle/proof"
	"github.com/transparency-dev/merkle/rfc6962"
	"golang.org/x/mod/sumdb/tlog"
)

// Source: reference 08 section 1, from github.com/transparency-dev/merkle, rfc6962/rfc6962_test.go and testonly/constants.go.
func TestRFC6962Vectors(t *testing.T) {
	want := func(what string, got Hash, hash string) {
		t.Helper()
		if hex.EncodeToString(got[:]) != hash {
			t.Errorf("%s is %x, want %s", what, got, hash)
		}
	}
	want("empty root", EmptyRoot, "e3b0c44298fc1c149afbf4c8996fb92427ae41e4649b934ca495991b7852b855")
	want("leaf of nothing", LeafHash(nil), "6e340b9cffb37a989ca544e6bb780a2c78901d3fb33738768511a30617afa01d")
	want("leaf of L123456", LeafHash([]byte("L123456")), "395aa064aa4c29f7010acfe3f25db9485bbd4b91897b6ad7ad547639252b4d56")
	leaves := []string{"", "00", "10", "2021", "3031", "40414243", "5051525354555657", "606162636465666768696a6b6c6d6e6f"}
	leafHashes := []string{
		"6e340b9cffb37a989ca544e6bb780a2c78901d3fb33738768511a30617afa01d",
		"96a296d224f285c67bee93c30f8a309157f0daa35dc5b87e410b78630a09cfc7",
		"0298d122906dcfc10892cb53a73992fc5b9f493ea4c9badb27b791b4127a7fe7",
		"07506a85fd9dd2f120eb694f86011e5bb4662e5c415a62917033d4a9624487e7",
		"bc1a0643b12e4d2d7c77918f44e0f4f79a838b6cf9ec5b5c283e1f4d88599e6b",
		"4271a26be0d8a84f0bd54c8c302e7cb3a3b5d1fa6780a40bcce2873477dab658",
		"b08693ec2e721597130641e8211e7eedccb4c26413963eee6c1e2ed16ffb1a5f",
		"46f6ffadd3d06a09ff3c5860d2755c8b9819db7df44251788c7d8e3180de8eb1",
	}
	roots := []string{
		"6e340b9cffb37a989ca544e6bb780a2c78901d3fb33738768511a30617afa01d",
		"fac54203e7cc696cf0dfcb42c92a1d9dbaf70ad9e621f4bd8d98662f00e3c125",
		"aeb6bcfe274b70a14fb067a5e5578264db0fa9b51af5e0ba159158f329e06e77",
		"d37ee418976dd95753c1c73862b9398fa2a2cf9b4ff0fdfe8b30cd95209614b7",
		"4e3bbb1f7b478dcfe71fb631631519a3bca12c9aefca1612bfce4c13a86264d4",
		"76e67dadbcdf1e10e1b74ddc608abd2f98dfb16fbce75277b5232a127f2087ef",
		"ddb89be403809e325750d3d263cd78929c2942b7942a34b77e122c9594a74c8c",
		"5dc9da79a70659a9ad559cb701ded9a2ab9d823aad2f4960cfe370eff4604328",
	}
	var f Frontier
	want("root of none", f.Root(), "e3b0c44298fc1c149afbf4c8996fb92427ae41e4649b934ca495991b7852b855")
	for i := range leaves {
		h := LeafHash(unhex(t, leaves[i]))
		want(fmt.Sprintf("leaf %d", i), h, leafHashes[i])
		f.Append(nil, h)
		want(fmt.Sprintf("root of %d", i+1), f.Root(), roots[i])
	}
}

// naiveRoot is RFC 6962 section 2.1 as it is written, without any of the library's or our arithmetic.
func naiveRoot(leaves []Hash) Hash {
	switch len(leaves) {
	case 0:
		return Hash(rfc6962.DefaultHasher.EmptyRoot())
	case 1:
		return leaves[0]
	}
	k := 1
	for k*2 < len(leaves) {
		k *= 2
	}
	left, right := naiveRoot(leaves[:k]), naiveRoot(leaves[k:])
	return Hash(rfc6962.DefaultHasher.HashChildren(left[:], right[:]))
}

const largest = 100

// testTree returns 0..largest checkpoints of one growing log, its leaves, and what a store of it would hold.
func testTree(t *testing.T) (leaves []Hash, at []Checkpoint, stored tlog.HashReaderFunc) {
	t.Helper()
	var f Frontier
	var hashes []Hash
	at = append(at, Checkpoint{Root: f.Root()})
	for n := range largest {
		leaf := LeafHash(fmt.Appendf(nil, "leaf %d", n))
		leaves = append(leaves, leaf)
		hashes = f.Append(hashes, leaf) // in the order of their completion, which is the library's storage order
		at = append(at, Checkpoint{Size: uint64(n + 1), Root: f.Root()})
	}
	return leaves, at, func(indexes []int64) ([]tlog.Hash, error) {
		out := make([]tlog.Hash, len(indexes))
		for i, index := range indexes {
			out[i] = hashes[index]
		}
		return out, nil
	}
}

func slices(path []Hash) [][]byte {
	out := make([][]byte, len(path))
	for i := range path {
		out[i] = path[i][:]
	}
	return out
}

// broken calls f with every proof that differs a little from path: one bit flipped in each hash, cut at each end,
// lengthened at each end, two hashes swapped.
func broken(seed int, path []Hash, f func(what string, path []Hash)) {
	for i := range path {
		bad := append([]Hash(nil), path...)
		bit := (seed*31 + i*7) % 256
		bad[i][bit/8] ^= 1 << (bit % 8)
		f(fmt.Sprintf("bit %d of hash %d flipped", bit, i), bad)
	}
	if len(path) > 0 {
		f("cut at the end", path[:len(path)-1])
		f("cut at the start", path[1:])
	}
	if len(path) > 1 && path[0] != path[1] {
		f("swapped", append([]Hash{path[1], path[0]}, path[2:]...))
	}
	f("lengthened at the end", append(append([]Hash(nil), path...), EmptyRoot))
	f("lengthened at the start", append([]Hash{EmptyRoot}, path...))
}

func TestEveryInclusionUpTo100(t *testing.T) {
	leaves, at, stored := testTree(t)
	proofs := 0
	for size := 1; size <= largest; size++ {
		if got := naiveRoot(leaves[:size]); got != at[size].Root {
			t.Fatalf("root of %d is %v, by RFC 6962 as written %v", size, at[size].Root, got)
		}
		for n := range size {
			path, err := tlog.ProveRecord(int64(size), int64(n), stored)
			if err != nil {
				t.Fatal(err)
			}
			if err := VerifyInclusion(at[size], uint64(n), leaves[n], path); err != nil {
				t.Fatalf("leaf %d of %d: %v", n, size, err)
			}
			if err := proof.VerifyInclusion(rfc6962.DefaultHasher, uint64(n), uint64(size), leaves[n][:], slices(path), at[size].Root[:]); err != nil {
				t.Fatalf("leaf %d of %d, second opinion: %v", n, size, err)
			}
			proofs++
			refused := func(what string, c Checkpoint, n uint64, leaf Hash, path []Hash) {
				t.Helper()
				err := VerifyInclusion(c, n, leaf, path)
				second := proof.VerifyInclusion(rfc6962.DefaultHasher, n, c.Size, leaf[:], slices(path), c.Root[:])
				if err == nil || second == nil {
					t.Errorf("leaf %d of %d, %s: ours says %v, second opinion %v", n, size, what, err, second)
				}
			}
			broken(size*largest+n, path, func(what string, bad []Hash) { refused(what, at[size], uint64(n), leaves[n], bad) })
			refused("wrong root", Checkpoint{Size: uint64(size), Root: at[size-1].Root}, uint64(n), leaves[n], path)
			refused("index beyond the tree", at[size], uint64(size), leaves[n], path)
			refused("leaf's bit flipped", at[size], uint64(n), flip(leaves[n], n), path)
			if size > 1 {
				refused("wrong index", at[size], uint64((n+1)%size), leaves[n], path)
			}
			for _, other := range []int{size - 1, size + 1} {
				if other <= largest && other > n {
					refused("size changed with its root", at[other], uint64(n), leaves[n], path)
				}
			}
		}
	}
	if proofs != largest*(largest+1)/2 {
		t.Errorf("%d proofs", proofs)
	}
}

func flip(h Hash, bit int) Hash {
	h[bit/8%32] ^= 1 << (bit % 8)
	return h
}

func TestEveryConsistencyUpTo100(t *testing.T) {
	_, at, stored := testTree(t)
	for size := range at {
		for old := range size + 1 {
			var path []Hash
			if old > 0 {
				var err error
				if path, err = tlog.ProveTree(int64(size), int64(old), stored); err != nil {
					t.Fatal(err)
				}
			}
			if err := VerifyConsistency(at[old], at[size], path); err != nil {
				t.Fatalf("%d to %d: %v", old, size, err)
			}
			second := func(a, b Checkpoint, path []Hash) error {
				return proof.VerifyConsistency(rfc6962.DefaultHasher, a.Size, b.Size, slices(path), a.Root[:], b.Root[:])
			}
			if err := second(at[old], at[size], path); err != nil {
				t.Fatalf("%d to %d, second opinion: %v", old, size, err)
			}
			refused := func(what string, a, b Checkpoint, path []Hash) {
				t.Helper()
				if err := VerifyConsistency(a, b, path); err == nil {
					t.Errorf("%d to %d, %s: accepted", old, size, what)
				}
				// The second opinion looks at no root when there is nothing to prove; the empty tree is ours to check.
				if a.Size > 0 && second(a, b, path) == nil {
					t.Errorf("%d to %d, %s: accepted by the second opinion", old, size, what)
				}
			}
			broken(size*largest+old, path, func(what string, bad []Hash) { refused(what, at[old], at[size], bad) })
			refused("old root's bit flipped", Checkpoint{Size: at[old].Size, Root: flip(at[old].Root, old)}, at[size], path)
			if old > 0 {
				refused("new root's bit flipped", at[old], Checkpoint{Size: at[size].Size, Root: flip(at[size].Root, old)}, path)
			}
			if old != size {
				swappedOld, swappedNew := at[old], at[size]
				swappedOld.Root, swappedNew.Root = swappedNew.Root, swappedOld.Root
				refused("roots swapped", swappedOld, swappedNew, path)
				refused("trees swapped", at[size], at[old], path)
			}
			for _, other := range []uint64{at[size].Size - 1, at[size].Size + 1} {
				if old > 0 && other < 1<<32 && (other != at[old].Size || at[size].Root != at[old].Root) && sensitive(uint64(old), uint64(size), other) {
					refused("size changed", at[old], Checkpoint{Size: other, Root: at[size].Root}, path)
				}
			}
		}
	}
}

// sensitive reports whether a consistency proof from old must fail when it is read as one to another size than size: the
// proof's shape or the place of one of its hashes differs. (Sizes that share all of that are told apart by the signed
// checkpoint only, which binds size to root.)
func sensitive(old, size, other uint64) bool {
	if other < old {
		return true
	}
	shape := func(n uint64) string {
		var s string
		var walk func(lo, hi uint64, whole bool)
		walk = func(lo, hi uint64, whole bool) {
			if old == hi {
				if !whole {
					s += "h"
				}
				return
			}
			k := uint64(1)
			for k*2 < hi-lo {
				k *= 2
			}
			if old <= lo+k {
				walk(lo, lo+k, whole)
				s += "r"
			} else {
				walk(lo+k, hi, false)
				s += "l"
			}
		}
		walk(0, n, true)
		return s
	}
	return shape(size) != shape(other)
}

// A proof of another log's tree of the same size and a tree that was rewritten at one leaf.
func TestRewrittenLeaf(t *testing.T) {
	leaves, at, stored := testTree(t)
	for _, changed := range []int{0, 1, 31, 63, 64, 98} {
		var f Frontier
		var hashes []Hash
		for n := range 99 {
			leaf := leaves[n]
			if n == changed {
				leaf = LeafHash([]byte("rewritten"))
			}
			hashes = f.Append(hashes, leaf)
		}
		forged := Checkpoint{Size: 99, Root: f.Root()}
		if forged.Root != naiveRoot(append(append(append([]Hash(nil), leaves[:changed]...), LeafHash([]byte("rewritten"))), leaves[changed+1:99]...)) {
			t.Fatal("the forged tree's root is wrong itself")
		}
		path, err := tlog.ProveTree(99, 98, tlog.HashReaderFunc(func(indexes []int64) ([]tlog.Hash, error) {
			out := make([]tlog.Hash, len(indexes))
			for i, index := range indexes {
				out[i] = hashes[index]
			}
			return out, nil
		}))
		if err != nil {
			t.Fatal(err)
		}
		err = VerifyConsistency(at[98], forged, path)
		if changed < 98 {
			wantReason(t, err, "CONSISTENCY_INVALID")
		} else if err != nil { // leaf 98 is not among the 98 first: another continuation, not a rewriting
			t.Error(err)
		}
		inclusion, err := tlog.ProveRecord(99, int64(changed), stored)
		if err != nil {
			t.Fatal(err)
		}
		wantReason(t, VerifyInclusion(forged, uint64(changed), leaves[changed], inclusion), "INCLUSION_INVALID")
	}
}

func TestProofBounds(t *testing.T) {
	huge := Checkpoint{Size: 1 << 63}
	wantReason(t, VerifyInclusion(huge, 0, Hash{}, nil), "CHECKPOINT_MALFORMED")
	wantReason(t, VerifyConsistency(Checkpoint{Size: 1}, huge, nil), "CHECKPOINT_MALFORMED")
	wantReason(t, VerifyInclusion(Checkpoint{Size: 9}, 1, Hash{}, make([]Hash, MaxProof+1)), "PROOF_TOO_LARGE")
	wantReason(t, VerifyConsistency(Checkpoint{Size: 3}, Checkpoint{Size: 9}, make([]Hash, MaxProof+1)), "PROOF_TOO_LARGE")
	wantReason(t, VerifyInclusion(Checkpoint{}, 0, Hash{}, nil), "BEYOND_TREE")
	wantReason(t, VerifyConsistency(Checkpoint{Size: 2}, Checkpoint{Size: 1}, nil), "BEYOND_TREE")
	// At the largest size the library still ends.
	largest := Checkpoint{Size: MaxTree}
	wantReason(t, VerifyInclusion(largest, MaxTree-1, Hash{}, make([]Hash, 48)), "INCLUSION_INVALID")
	wantReason(t, VerifyConsistency(Checkpoint{Size: MaxTree - 1}, largest, make([]Hash, 49)), "CONSISTENCY_INVALID")
	if _, err := NewFrontier(MaxTree+1, nil); err == nil {
		t.Error("a frontier beyond the largest tree")
	}
}

// A frontier read back from stored hashes continues as the one that wrote them.
func TestNewFrontier(t *testing.T) {
	leaves, at, stored := testTree(t)
	for size := range at {
		f, err := NewFrontier(uint64(size), func(level int, n uint64) (Hash, error) {
			h, err := stored([]int64{tlog.StoredHashIndex(level, int64(n))})
			return h[0], err
		})
		if err != nil || f.Root() != at[size].Root || f.Size() != uint64(size) {
			t.Fatalf("frontier of %d: %v, %v", size, f.Root(), err)
		}
		if size < largest {
			f.Append(nil, leaves[size])
			if f.Root() != at[size+1].Root {
				t.Fatalf("frontier of %d goes wrong with the next leaf", size)
			}
		}
	}
}

package identity

import (
	"bytes"
	"crypto/ed25519"
	"encoding/hex"
	"testing"
)

// The text that is signed is built here byte by byte from the description in event.proto, and signed with the standard
// library (RFC 8032, Ed25519; key pair of its section 7.1, test 1).
func TestPossession(t *testing.T) {
	seed, _ := hex.DecodeString("9d61b19deffd5a60ba844af492ec2cc44449c5697b326919703bac031cae7f60")
	public, _ := hex.DecodeString("d75a980182b10ab7d54bfed3c964073a0ee172f3daa62325af021a68f707511a")
	key, err := NewKey(bytes.NewReader(seed))
	if err != nil {
		t.Fatal(err)
	}
	old := ed25519.PublicKey(bytes.Repeat([]byte{7}, 32))
	text := append([]byte("barward key v1\nottermere/tansy\n"), old...)
	text = append(text, public...)
	want := ed25519.Sign(ed25519.NewKeyFromSeed(seed), text)
	proof := ProvePossession(key, "ottermere/tansy", old)
	if !bytes.Equal(proof, want) {
		t.Errorf("got %x, want %x", proof, want)
	}
	if err := CheckPossession("ottermere/tansy", old, public, proof); err != nil {
		t.Error(err)
	}
	for i := range proof { // every bit of the proof counts
		for bit := range 8 {
			bent := bytes.Clone(proof)
			bent[i] ^= 1 << bit
			if CheckPossession("ottermere/tansy", old, public, bent) == nil {
				t.Fatalf("bit %d of byte %d does not count", bit, i)
			}
		}
	}
	other := bytes.Clone(old)
	other[0]++
	wantReason(t, CheckPossession("ottermere/tansz", old, public, proof), "KEY_NOT_PROVEN")
	wantReason(t, CheckPossession("ottermere/tansy", other, public, proof), "KEY_NOT_PROVEN")
	wantReason(t, CheckPossession("ottermere/tansy", old, other, proof), "KEY_NOT_PROVEN")
	wantReason(t, CheckPossession("ottermere/tansy", old[:31], public, proof), "KEY_NOT_PROVEN")
	wantReason(t, CheckPossession("ottermere/tansy", old, public[:31], proof), "KEY_NOT_PROVEN")
	if ProvePossession(Key{}, "ottermere/tansy", old) != nil {
		t.Error("no key proves something")
	}
}

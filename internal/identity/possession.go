package identity

import (
	"crypto/ed25519"
	"slices"

	"barward/internal/refusal"
)

// A new key that takes the place of an old one must sign for itself. Otherwise an administrator, or a thief of the old
// key, could register somebody else's public key as a person's own, and later say that what that key signs elsewhere was
// said by that person. The purpose comes first, as in everything that is signed here; the person's name and the old key
// are in the text, so the proof is good for one change of one person only.

// possessionPurpose starts the text that a new key signs.
const possessionPurpose = "barward key v1\n"

func possession(person string, old, new ed25519.PublicKey) []byte {
	return slices.Concat([]byte(possessionPurpose), []byte(person), []byte{'\n'}, old, new)
}

// ProvePossession signs with key that it takes the place of the old key of a person, named `party/person`. It returns 64
// bytes, nil for the zero Key.
func ProvePossession(key Key, person string, old ed25519.PublicKey) []byte {
	if key.IsZero() {
		return nil
	}
	return ed25519.Sign(key.Private(), possession(person, old, key.Public()))
}

// CheckPossession refuses, as KEY_NOT_PROVEN, a proof that was not made by new for this person and old key.
func CheckPossession(person string, old, new ed25519.PublicKey, proof []byte) error {
	if len(old) != ed25519.PublicKeySize || len(new) != ed25519.PublicKeySize ||
		!ed25519.Verify(new, possession(person, old, new), proof) {
		return refusal.Invalidf("KEY_NOT_PROVEN", "proof",
			"The proof is not the new key's signature for %s and their old key. Make it with the new key itself.", quote(person)).
			With("person", quote(person))
	}
	return nil
}

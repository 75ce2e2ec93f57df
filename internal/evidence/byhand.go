package evidence

import (
	"fmt"
	"strings"

	"barward/internal/ledger/proof"
)

// ByHand returns the shell commands that check an entry of the pack in file with unzip, openssl and nothing of ours:
// the author's signature, and the hash of the entry in the tree. They are those of proof.Leaf's framing; the author's
// key is bytes 41 to 72 of the event, which begins at byte 76 of the leaf.
func ByHand(file string, sequence uint64, hash proof.Hash) string {
	return fmt.Sprintf(`# The author's signature on entry %[1]d: openssl must say "Signature Verified Successfully".
unzip -p %[2]s %[3]s > leaf
head -c 75 leaf | tail -c 64 > signature
{ printf 'barward event v1\n'; tail -c +76 leaf; } > signed
{ printf '\060\052\060\005\006\003\053\145\160\003\041\000'; tail -c +116 leaf | head -c 32; } > key.der
openssl pkeyutl -verify -pubin -keyform DER -inkey key.der -rawin -in signed -sigfile signature
# Whose key it is: it must stand in the list of keys.
tail -c 32 key.der | od -An -v -tx1 | tr -d ' \n'; echo
unzip -p %[2]s %[4]s
# The hash of the entry in the tree (RFC 6962): openssl must say %[5]x.
{ printf '\000'; cat leaf; } | openssl dgst -sha256
`, sequence, shellQuote(file), entryName(sequence), keysName, hash[:])
}

// shellQuote puts a file name into single quotes.
func shellQuote(name string) string { return "'" + strings.ReplaceAll(name, "'", `'\''`) + "'" }

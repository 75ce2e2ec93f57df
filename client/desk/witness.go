package desk

import (
	"crypto/sha256"

	"barward/client/outbox"
	"barward/internal/ledger/proof"
	pb "barward/proto/barward/v1"
)

// countersignature is what a second person signs to agree to an entry of the log: its event by id and by the hash of
// the very bytes that were signed.
func countersignature(entry *pb.Entry) (*pb.Countersigned, error) {
	leaf, err := proof.ParseLeaf(entry.GetLeaf())
	if err != nil {
		return nil, err
	}
	return countersigned(leaf.Signed)
}

// countersignatureOf is the same for an event that still waits in the outbox.
func countersignatureOf(item outbox.Item) (*pb.Countersigned, error) {
	return countersigned(item.Signed)
}

func countersigned(signed proof.Signed) (*pb.Countersigned, error) {
	envelope, err := proof.Open(signed)
	if err != nil {
		return nil, err
	}
	sum := sha256.Sum256(signed.Event)
	return &pb.Countersigned{EventId: envelope.ID.String(), EventSha256: sum[:]}, nil
}

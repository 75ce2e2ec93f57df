package book

import (
	"barward/internal/ledger"
	pb "barward/proto/barward/v1"
)

// OpenDiscrepancies counts the discrepancies that nobody has decided, over all parties: a number for whoever keeps the
// service, who may not see what they are about. It looks through the whole register.
func OpenDiscrepancies(pages *ledger.Book) (open int, err error) {
	err = discrepancies.each(pages, func(d *pb.Discrepancy) error {
		if d.State == pb.DiscrepancyState_DISCREPANCY_STATE_OPEN {
			open++
		}
		return nil
	})
	return open, err
}

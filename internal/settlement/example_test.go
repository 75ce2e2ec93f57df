package settlement_test

import (
	"fmt"
	"os"

	"barward/internal/settlement"
)

// A settlement from figures alone: the file holds the terms and the lot. The sums are those of reference 04, section 5.
func ExamplePreview() {
	file, err := os.ReadFile("testdata/full_settlement.json")
	if err != nil {
		fmt.Println(err)
		return
	}
	s, err := settlement.Preview(file)
	if err != nil {
		fmt.Println(err)
		return
	}
	for _, path := range []string{"value/Au", "charge/treatment", "interest/1", "net"} {
		l := s.Find(path)[0]
		fmt.Printf("%s: %s\n", l.Text, l.Amount)
	}
	// Output:
	// value: 2302796.10 USD
	// charge on gross weight after melt: -663.97 USD
	// interest from 2027-03-01 to 2027-03-13: -3808.14 USD
	// due to the seller; below zero, from the seller: 226324.11 USD
}

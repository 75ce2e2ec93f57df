package document

import (
	"strconv"
	"strings"

	"barward/internal/refusal"
)

// SSCC is a serial shipping container code: 18 digits that name one box for ever, in all companies' systems.
//
// It has an extension digit, the GS1 company prefix and a serial number of 16 digits together, and a check digit. A
// prefix is licensed from a GS1 member organisation; without one there is no SSCC, and Barward makes none up. Source:
// GS1 General Specifications, AI (00), read through published notes; check digits tested against published ones.
type SSCC struct {
	extension byte
	prefix    string
	serial    string
}

// NewSSCC makes the SSCC of a box. Prefix is the company prefix of 7 to 10 digits, extension a digit of the company's
// choice, serial a number that the company does not use again for at least 12 months: the number of the ledger entry
// by which the box was packed is never used again on that ledger. SSCC_PREFIX and SSCC_SERIAL are refused.
func NewSSCC(prefix string, extension int, serial uint64) (SSCC, error) {
	if len(prefix) < 7 || len(prefix) > 10 || !digits(prefix) {
		return SSCC{}, refusal.Invalidf("SSCC_PREFIX", "prefix",
			"%s is no GS1 company prefix of 7 to 10 digits. Give the one licensed to the company, or none: the label then "+
				"bears the box's own number only.", refusal.Quote(prefix))
	}
	if extension < 0 || extension > 9 {
		return SSCC{}, refusal.Invalidf("SSCC_SERIAL", "extension", "The extension is one digit, not %d.", extension)
	}
	text, room := strconv.FormatUint(serial, 10), 16-len(prefix)
	if len(text) > room {
		return SSCC{}, refusal.Invalidf("SSCC_SERIAL", "serial",
			"The serial number %d has more than the %d digits that this prefix leaves.", serial, room)
	}
	return SSCC{byte('0' + extension), prefix, strings.Repeat("0", room-len(text)) + text}, nil
}

// Known reports whether this is an SSCC at all.
func (c SSCC) Known() bool { return c.prefix != "" }

// String is the 18 digits, the check digit last; empty where there is no SSCC.
func (c SSCC) String() string {
	if !c.Known() {
		return ""
	}
	data := string(c.extension) + c.prefix + c.serial
	return data + string(CheckDigit(data))
}

// Readable is the line under the bars: application identifier in brackets, then the digits.
func (c SSCC) Readable() string { return "(00)" + c.String() }

// URI is the SSCC as an EPC pure identity: prefix, point, extension and serial (GS1 EPC Tag Data Standard; from
// memory).
func (c SSCC) URI() string {
	if !c.Known() {
		return ""
	}
	return "urn:epc:id:sscc:" + c.prefix + "." + string(c.extension) + c.serial
}

// CheckDigit is the GS1 check digit of the data digits before it: weights 3 and 1 in turn from the right, and what is
// missing to the next ten. Anything but digits gives 'X', which no label prints.
func CheckDigit(data string) byte {
	if !digits(data) {
		return 'X'
	}
	sum := 0
	for i := range len(data) {
		value := int(data[len(data)-1-i] - '0')
		if i%2 == 0 {
			value *= 3
		}
		sum += value
	}
	return byte('0' + (10-sum%10)%10)
}

func digits(s string) bool {
	return s != "" && strings.Trim(s, "0123456789") == ""
}

package quantity

import (
	"encoding/json"

	"barward/internal/refusal"
)

// Currency is an ISO 4217 code of three capital letters. XAU and XAG are one troy ounce of gold and of silver; they have
// no minor unit and are never money with cents.
type Currency string

// Check refuses what is not three capital letters.
func (c Currency) Check() error {
	if len(c) != 3 || c[0] < 'A' || c[0] > 'Z' || c[1] < 'A' || c[1] > 'Z' || c[2] < 'A' || c[2] > 'Z' {
		return refusal.Invalidf("CURRENCY_MALFORMED", "",
			"%s is not a currency code; use three capital letters of ISO 4217, such as USD", refusal.Quote(string(c))).
			With("value", string(c))
	}
	return nil
}

// Money is an amount in one currency; it may be negative. The zero value is no amount at all (see IsZero).
type Money struct {
	amount   Decimal
	currency Currency
}

// NewMoney joins an amount and a currency; it refuses a malformed code.
func NewMoney(amount Decimal, currency Currency) (Money, error) {
	if err := currency.Check(); err != nil {
		return Money{}, refusal.In(err, "currency")
	}
	return Money{amount, currency}, nil
}

// ParseMoney reads an amount, a space and a code, such as "226324.11 USD".
func ParseMoney(s string) (Money, error) {
	if len(s) < 5 || s[len(s)-4] != ' ' {
		return Money{}, refusal.Invalidf("MONEY_MALFORMED", "",
			"%s is not an amount of money; write a number, a space and a currency code, such as 226324.11 USD",
			refusal.Quote(s)).With("value", s)
	}
	amount, err := ParseDecimal(s[:len(s)-4])
	if err != nil {
		return Money{}, err
	}
	return NewMoney(amount, Currency(s[len(s)-3:]))
}

// MustMoney is ParseMoney for constants in code; it panics on what ParseMoney refuses.
func MustMoney(s string) Money {
	m, err := ParseMoney(s)
	if err != nil {
		panic(err)
	}
	return m
}

// Amount returns the number.
func (m Money) Amount() Decimal { return m.amount }

// Currency returns the code, empty for the zero Money.
func (m Money) Currency() Currency { return m.currency }

// IsZero reports whether m is the zero Money: nothing was stated.
func (m Money) IsZero() bool { return m.currency == "" }

// Add returns m + n; it refuses two currencies. The zero Money adds to any.
func (m Money) Add(n Money) (Money, error) {
	switch {
	case m.IsZero():
		return n, nil
	case n.IsZero():
		return m, nil
	case m.currency != n.currency:
		return Money{}, refusal.Invalidf("CURRENCY_MIXED", "",
			"%s and %s cannot be added; convert one by a named rate first", m, n)
	}
	return Money{m.amount.Add(n.amount), m.currency}, nil
}

// Neg returns -m.
func (m Money) Neg() Money { return Money{m.amount.Neg(), m.currency} }

// String writes the amount, a space and the code.
func (m Money) String() string {
	if m.IsZero() {
		return ""
	}
	return m.amount.String() + " " + string(m.currency)
}

// MarshalJSON writes m as a JSON string such as "226324.11 USD".
func (m Money) MarshalJSON() ([]byte, error) { return json.Marshal(m.String()) }

// UnmarshalJSON reads what MarshalJSON writes; an empty string is the zero Money.
func (m *Money) UnmarshalJSON(b []byte) error {
	var s string
	if err := json.Unmarshal(b, &s); err != nil {
		return refusal.Invalidf("MONEY_MALFORMED", "",
			"money is a string with an amount and a currency code, such as \"226324.11 USD\"")
	}
	if s == "" {
		*m = Money{}
		return nil
	}
	parsed, err := ParseMoney(s)
	if err != nil {
		return err
	}
	*m = parsed
	return nil
}

package quantity_test

import (
	"flag"
	"fmt"
	"math/big"
	"math/rand/v2"
	"strings"
	"sync"
	"testing"
	"time"

	. "barward/internal/quantity"
)

var seed = flag.Uint64("seed", 0, "seed of the random tests; 0 takes a new one each time")

// chance returns a source of random numbers whose seed a failing test prints.
func chance(t *testing.T) *rand.Rand {
	s := *seed
	if s == 0 {
		s = uint64(time.Now().UnixNano())
	}
	t.Logf("repeat with: go test ./internal/quantity -run %s -seed %d", t.Name(), s)
	return rand.New(rand.NewPCG(s, 0))
}

// number writes a random decimal with up to 30 digits and up to 18 places, short ones as often as long ones.
func number(r *rand.Rand) string {
	digits := 1 + r.IntN(1+r.IntN(30))
	places := r.IntN(min(digits, 18) + 1)
	var b strings.Builder
	if r.IntN(3) == 0 {
		b.WriteByte('-')
	}
	if places == digits {
		b.WriteString("0")
	}
	for i := range digits {
		if i == digits-places {
			b.WriteByte('.')
		}
		switch r.IntN(6) { // runs of nought, five and nine are where roundings go wrong
		case 0:
			b.WriteByte('0')
		case 1:
			b.WriteByte('5')
		case 2:
			b.WriteByte('9')
		default:
			b.WriteByte(byte('0' + r.IntN(10)))
		}
	}
	return b.String()
}

func rat(t testing.TB, s string) *big.Rat {
	t.Helper()
	x, ok := new(big.Rat).SetString(s)
	if !ok {
		t.Fatalf("math/big does not read %q", s)
	}
	return x
}

// checkRounded holds got against what it means to round x: math/big's own printer for HalfUp, the definition for the
// others.
func checkRounded(t *testing.T, what string, x *big.Rat, r Rounding, got Decimal) {
	t.Helper()
	printed := got.String()
	value := rat(t, printed)
	if _, fraction, _ := strings.Cut(printed, "."); len(fraction) != r.Places {
		t.Fatalf("%s = %s does not show %d places", what, printed, r.Places)
	}
	if printed[0] == '-' && value.Sign() == 0 {
		t.Fatalf("%s = %s: a zero has no sign", what, printed)
	}
	step := rat(t, fmt.Sprintf("1e-%d", r.Places))
	off := new(big.Rat).Sub(x, value)
	switch r.Mode {
	case HalfUp:
		if want := rat(t, x.FloatString(r.Places)); value.Cmp(want) != 0 {
			t.Fatalf("%s half up = %s, math/big says %s", what, printed, x.FloatString(r.Places))
		}
	case HalfEven:
		switch new(big.Rat).Mul(off.Abs(off), big.NewRat(2, 1)).Cmp(step) {
		case 1:
			t.Fatalf("%s half even = %s is more than half a step away", what, printed)
		case 0:
			if units := new(big.Rat).Quo(value, step); units.Num().Bit(0) != 0 {
				t.Fatalf("%s half even = %s, a half that went to the odd digit", what, printed)
			}
		}
	case Down:
		if value.Sign()*x.Sign() < 0 || off.Sign()*x.Sign() < 0 || off.Abs(off).Cmp(step) >= 0 {
			t.Fatalf("%s down = %s is not the next step toward zero", what, printed)
		}
	}
}

func TestRoundByHand(t *testing.T) {
	for _, tt := range []struct {
		in                     string
		places                 int
		halfUp, halfEven, down string // by hand
	}{
		{"0.5", 0, "1", "0", "0"}, {"1.5", 0, "2", "2", "1"}, {"2.5", 0, "3", "2", "2"}, {"-0.5", 0, "-1", "0", "0"},
		{"-1.5", 0, "-2", "-2", "-1"}, {"-2.5", 0, "-3", "-2", "-2"}, {"0.49999999999", 0, "0", "0", "0"},
		{"0.50000000001", 0, "1", "1", "0"}, {"-0.50000000001", 0, "-1", "-1", "0"}, {"0.0005", 3, "0.001", "0.000", "0.000"},
		{"0.0015", 3, "0.002", "0.002", "0.001"}, {"999.9995", 3, "1000.000", "1000.000", "999.999"},
		{"999.9985", 3, "999.999", "999.998", "999.998"}, {"7", 3, "7.000", "7.000", "7.000"},
		{"7.1", 3, "7.100", "7.100", "7.100"}, {"-0.0004", 3, "0.000", "0.000", "0.000"}, {"0", 2, "0.00", "0.00", "0.00"},
		{"12345678901234567890.5", 0, "12345678901234567891", "12345678901234567890", "12345678901234567890"},
	} {
		for mode, want := range map[Mode]string{HalfUp: tt.halfUp, HalfEven: tt.halfEven, Down: tt.down} {
			if got := MustDecimal(tt.in).Round(Rounding{tt.places, mode}).String(); got != want {
				t.Errorf("%s to %d places %s = %s, want %s", tt.in, tt.places, mode, got, want)
			}
		}
	}
	for r, want := range map[Rounding]string{{3, Down}: "0.001", {0, HalfUp}: "1", {12, HalfEven}: "0.000000000001"} {
		if got := r.Step().String(); got != want {
			t.Errorf("the step at %d places is %s, want %s", r.Places, got, want)
		}
	}
}

var modes = []Mode{HalfUp, HalfEven, Down}

func TestQuoAgainstFractions(t *testing.T) {
	random := chance(t)
	for range 10_000 {
		a, b := number(random), number(random)
		if rat(t, b).Sign() == 0 {
			continue
		}
		r := Rounding{random.IntN(13), modes[random.IntN(len(modes))]}
		got, err := MustDecimal(a).Quo(MustDecimal(b), r)
		if err != nil {
			t.Fatalf("%s / %s: %v", a, b, err)
		}
		checkRounded(t, a+" / "+b, new(big.Rat).Quo(rat(t, a), rat(t, b)), r, got)
	}
}

func TestFromRatAgainstFractions(t *testing.T) {
	random := chance(t)
	for range 2_500 {
		x := rat(t, number(random))
		if y := rat(t, number(random)); y.Sign() != 0 {
			x.Quo(x, y)
		}
		before := x.RatString()
		r := Rounding{random.IntN(13), modes[random.IntN(len(modes))]}
		got, err := FromRat(x, r)
		if err != nil {
			t.Fatalf("%s: %v", before, err)
		}
		checkRounded(t, before, x, r, got)
		if x.RatString() != before {
			t.Fatalf("%s has become %s", before, x.RatString())
		}
	}
	_, err := FromRat(big.NewRat(1, 3), Rounding{Places: 3})
	wantRefused(t, "a fraction without a rounding", err, "ROUNDING_MISSING")
	_, err = FromRat(rat(t, "1e200"), Rounding{0, Down})
	wantRefused(t, "201 digits", err, "NUMBER_TOO_LONG")
	if d, err := FromRat(rat(t, "1e199"), Rounding{0, Down}); err != nil || len(d.String()) != 200 {
		t.Errorf("200 digits: %s (%v)", d, err)
	}
}

// Halves and their nearest neighbours on either side: where rounding twice, or by a cut quotient, gives itself away.
func TestRoundAtAndBesideHalves(t *testing.T) {
	random := chance(t)
	for range 2_500 {
		r := Rounding{random.IntN(13), modes[random.IntN(len(modes))]}
		half := NewDecimal(2*random.Int64N(1<<40) + 1).Mul(MustDecimal("0.5")).Mul(r.Step())
		if random.IntN(2) == 0 {
			half = half.Neg()
		}
		for _, beside := range []Decimal{{}, NewDecimal(1).Shift(-17), NewDecimal(-1).Shift(-17), NewDecimal(1).Shift(-40), NewDecimal(-1).Shift(-40)} {
			x := half.Add(beside)
			checkRounded(t, x.String(), rat(t, x.String()), r, x.Round(r))
			seventh, err := x.Mul(NewDecimal(7)).Quo(NewDecimal(7), r) // the same value as a quotient
			if err != nil {
				t.Fatal(err)
			}
			checkRounded(t, x.String()+" × 7 / 7", rat(t, x.String()), r, seventh)
		}
	}
}

func TestMeanAgainstFractions(t *testing.T) {
	random := chance(t)
	for range 2_000 {
		var of []Decimal
		sum := new(big.Rat)
		for range 1 + random.IntN(9) {
			s := number(random)
			of = append(of, MustDecimal(s))
			sum.Add(sum, rat(t, s))
		}
		if got := rat(t, Sum(of...).String()); got.Cmp(sum) != 0 {
			t.Fatalf("the sum of %v is %s, want %s", of, got.RatString(), sum.RatString())
		}
		r := Rounding{random.IntN(13), modes[random.IntN(len(modes))]}
		mean, err := Mean(r, of...)
		if err != nil {
			t.Fatal(err)
		}
		checkRounded(t, fmt.Sprintf("mean of %v", of), new(big.Rat).Quo(sum, big.NewRat(int64(len(of)), 1)), r, mean)
	}
}

// A value never changes, whatever is computed from it or from its copies. Values above 128 bits matter most: the decimal
// library keeps those behind a pointer, which a copy shares. Every result is held against a fraction computed beside it.
func TestValuesNeverChange(t *testing.T) {
	type entry struct {
		d     Decimal
		x     *big.Rat
		print string
	}
	random := chance(t)
	var pool []entry
	add := func(what string, d Decimal, x *big.Rat) {
		t.Helper()
		e := entry{d, x, d.String()}
		if rat(t, e.print).Cmp(x) != 0 || d.Rat().Cmp(x) != 0 {
			t.Fatalf("%s = %s, want %s", what, e.print, x.RatString())
		}
		_, fraction, _ := strings.Cut(e.print, ".")
		if d.Sign() != x.Sign() || d.IsZero() != (x.Sign() == 0) || d.Places() != len(fraction) {
			t.Fatalf("%s = %s: sign %d, %d places", what, e.print, d.Sign(), d.Places())
		}
		pool = append(pool, e)
	}
	for range 40 {
		s := number(random)
		add(s, MustDecimal(s), rat(t, s))
	}
	for range 3_000 {
		a, b := pool[random.IntN(len(pool))], pool[random.IntN(len(pool))]
		what := func(operation string) string { return a.print + " " + operation + " " + b.print }
		tidy := len(a.print)+len(b.print) < 150 // products stay inside the digits a result may have
		switch random.IntN(11) {
		case 0:
			if tidy {
				add(what("+"), a.d.Add(b.d), new(big.Rat).Add(a.x, b.x))
			}
		case 1:
			if tidy {
				add(what("-"), a.d.Sub(b.d), new(big.Rat).Sub(a.x, b.x))
			}
		case 2, 3:
			if tidy {
				add(what("×"), a.d.Mul(b.d), new(big.Rat).Mul(a.x, b.x))
			}
		case 4:
			add(what("negated"), a.d.Neg(), new(big.Rat).Neg(a.x))
		case 5:
			add(what("without its sign"), a.d.Abs(), new(big.Rat).Abs(a.x))
		case 6:
			n := random.IntN(7) - 3
			power := rat(t, fmt.Sprintf("1e%d", n))
			add(what("shifted"), a.d.Shift(n), power.Mul(power, a.x))
		case 7:
			padded := a.d.Pad(random.IntN(30))
			add(what("padded"), padded, a.x)
			if padded.Places() < a.d.Places() {
				t.Fatalf("%s padded to %s loses places", a.print, padded)
			}
		case 8:
			trimmed := a.d.Trim()
			add(what("trimmed"), trimmed, a.x)
			if s := trimmed.String(); strings.Contains(s, ".") && strings.HasSuffix(s, "0") {
				t.Fatalf("%s trimmed to %s", a.print, s)
			}
		case 9:
			if got, want := a.d.Cmp(b.d), a.x.Cmp(b.x); got != want || a.d.Equal(b.d) != (want == 0) || a.d.Less(b.d) != (want < 0) {
				t.Fatalf("%s compares as %d, want %d", what("and"), got, want)
			}
			low, high := Min(a.d, b.d), Max(a.d, b.d)
			if low.Cmp(high) > 0 || !low.Add(high).Equal(a.d.Add(b.d)) {
				t.Fatalf("%s: min %s, max %s", what("and"), low, high)
			}
		case 10:
			if b.x.Sign() != 0 {
				r := Rounding{random.IntN(13), modes[random.IntN(len(modes))]}
				quotient, err := a.d.Quo(b.d, r)
				if err != nil {
					t.Fatal(err)
				}
				checkRounded(t, what("/"), new(big.Rat).Quo(a.x, b.x), r, quotient)
			}
		}
	}
	wide := 0
	for _, e := range pool {
		if e.d.String() != e.print || e.d.Rat().Cmp(e.x) != 0 {
			t.Fatalf("%s has become %s", e.print, e.d)
		}
		if e.x.Num().BitLen() > 128 {
			wide++
		}
	}
	if wide < 20 {
		t.Fatalf("only %d values above 128 bits: this run has tried too little", wide)
	}
}

// Copies may be used from many goroutines at once; the race detector watches.
func TestCopiesMayBeShared(t *testing.T) {
	wide := MustDecimal("123456789012345678901234567890").Mul(MustDecimal("987654321098765432109876543210"))
	const product = "121932631137021795226185032733622923332237463801111263526900" // by hand: long multiplication, or bc
	var all sync.WaitGroup
	for range 8 {
		all.Go(func() {
			for range 200 {
				a := wide
				a.Neg().Add(wide).Abs().Sub(a).Trim().Pad(4).Round(Rounding{2, HalfEven})
				if a.String() != product {
					t.Errorf("%s, want %s", a, product)
					return
				}
			}
		})
	}
	all.Wait()
}

func TestFloatIsTheNearest(t *testing.T) {
	for _, tt := range []struct {
		in   string
		want float64 // the compiler's own reading of the same digits
	}{
		{"0.1", 0.1}, {"31.1034768", 31.1034768}, {"-12441.390", -12441.390}, {"0", 0}, {"9007199254740993", 9007199254740993},
		{"123456789012345678901234567890", 123456789012345678901234567890}, {"0.000000000000000001", 1e-18},
	} {
		if got := MustDecimal(tt.in).Float(); got != tt.want {
			t.Errorf("%s is %v as a float, want %v", tt.in, got, tt.want)
		}
	}
}

func TestMassArithmetic(t *testing.T) {
	for _, tt := range []struct{ a, b, sum, difference string }{ // by hand
		{"12441.390 g", "0.61 g", "12442.000 g", "12440.780 g"},
		{"12.5 kg", "0.25 kg", "12.75 kg", "12.25 kg"},
		{"400.025 oz", "0.025 oz", "400.050 oz", "400.000 oz"},
		{"1 kg", "1.0 g", "1001.0 g", "999.0 g"},
		{"1 oz", "1 g", "32.1034768 g", "30.1034768 g"},
		{"1 mg", "1 kg", "1000.001 g", "-999.999 g"},
	} {
		a, b := MustMass(tt.a), MustMass(tt.b)
		if got := a.Add(b).String(); got != tt.sum {
			t.Errorf("%s + %s = %s, want %s", a, b, got, tt.sum)
		}
		if got := a.Sub(b).String(); got != tt.difference {
			t.Errorf("%s - %s = %s, want %s", a, b, got, tt.difference)
		}
		if a.Sub(b).Sign() != a.Cmp(b) || b.Sub(a).Abs().Cmp(a.Sub(b).Abs()) != 0 {
			t.Errorf("%s and %s: sign and comparison disagree", a, b)
		}
	}
	none, some := Mass{}, MustMass("5.0 g")
	if got := none.Add(some).String() + ", " + some.Add(none).String() + ", " + some.Sub(none).String() + ", " + none.Sub(some).String(); got != "5.0 g, 5.0 g, 5.0 g, -5.0 g" {
		t.Errorf("no mass added to and taken from 5.0 g: %s", got)
	}
	if MustMass("1 kg").Cmp(MustMass("1000.0 g")) != 0 || MustMass("1 oz").Cmp(MustMass("31.1034768 g")) != 0 {
		t.Error("equal masses in two units do not compare equal")
	}
	if some.Unit() != Gram || some.Value().String() != "5.0" || none.Unit() != "" || none.String() != "" {
		t.Errorf("%v in %q", some.Value(), some.Unit())
	}
}

func TestMoneyArithmetic(t *testing.T) {
	a, none := MustMoney("226324.11 USD"), Money{}
	for _, tt := range []struct {
		m, n Money
		want string // by hand
	}{
		{a, MustMoney("0.89 USD"), "226325.00 USD"}, {a, a.Neg(), "0.00 USD"}, {a, none, "226324.11 USD"},
		{none, a, "226324.11 USD"}, {none, none, ""}, {MustMoney("1.001 XAU"), MustMoney("0.0005 XAU"), "1.0015 XAU"},
	} {
		if got, err := tt.m.Add(tt.n); err != nil || got.String() != tt.want {
			t.Errorf("%s + %s = %s (%v), want %s", tt.m, tt.n, got, err, tt.want)
		}
	}
	if a.Currency() != "USD" || a.Amount().String() != "226324.11" || none.Currency() != "" {
		t.Errorf("%s in %q", a.Amount(), a.Currency())
	}
}

func TestFinenessKeepsWhatWasEntered(t *testing.T) {
	f := MustFineness("92.10 %")
	if f.Value().String() != "92.10" || f.Share() != Percent || (Fineness{}).String() != "" || (Fineness{}).Share() != "" {
		t.Errorf("%s in %q", f.Value(), f.Share())
	}
}

// The constants of code are checked when the program starts, so a wrong one must not pass.
func TestMustPanics(t *testing.T) {
	for name, f := range map[string]func(){
		"MustDecimal": func() { MustDecimal("1e3") }, "MustMass": func() { MustMass("1 lb") },
		"MustFineness": func() { MustFineness("1001 ppt") }, "MustMoney": func() { MustMoney("1 usd") },
	} {
		func() {
			defer func() {
				if recover() == nil {
					t.Errorf("%s accepts what its reader refuses", name)
				}
			}()
			f()
		}()
	}
}

package identity

import (
	"crypto/ed25519"
	"crypto/hmac"
	"crypto/sha256"
	"encoding/base64"
	"encoding/json"
	"errors"
	"fmt"
	"strings"
	"testing"
	"time"

	"github.com/golang-jwt/jwt/v5"

	"barward/internal/refusal"
)

const origin = "ledger.example/umbrivane" // invented

var noon = time.Date(2026, 3, 14, 12, 0, 0, 0, time.UTC)

var b64 = base64.RawURLEncoding.EncodeToString

// registry is a Lookup over the key of RFC 8032 test 1 only.
func registry(t testing.TB) Lookup {
	known := testKey(t, 1).ID()
	return func(id KeyID) (Registered, bool, error) {
		caller := Caller{PersonID: "person-7", PartyID: "party-3", PartyKind: Mine, Roles: []Role{GoldRoomOfficer}}
		return Registered{Caller: caller}, id == known, nil
	}
}

// handmade signs header and payload by hand, without the library.
func handmade(key Key, header, payload string) string {
	text := b64([]byte(header)) + "." + b64([]byte(payload))
	return text + "." + b64(ed25519.Sign(key.Private(), []byte(text)))
}

const edHeader = `{"alg":"EdDSA","typ":"JWT"}`

// payload is what an honest token at noon says, with changes; a nil value takes a claim away.
func payload(key Key, changes map[string]any) string {
	c := map[string]any{"iss": key.ID(), "sub": key.ID(), "aud": origin, "iat": noon.Unix(), "exp": noon.Unix() + 300,
		"jti": "6f1c0e5a-8a51-4b0e-9d55-0f2f6c0e7a11"}
	for name, value := range changes {
		if c[name] = value; value == nil {
			delete(c, name)
		}
	}
	b, err := json.Marshal(c)
	if err != nil {
		panic(err)
	}
	return string(b)
}

// RFC 8037, appendix A.1 (key), A.4 (signing) and A.5 (verification): from memory, confirmed by computation.
func TestRFC8037(t *testing.T) {
	const (
		d         = "nWGxne_9WmC6hEr0kuwsxERJxWl7MmkZcDusAxyuf2A"
		x         = "11qYAYKxCrfVS_7TyWQHOg7hcvPapiMlrwIaaPcHURo"
		text      = "eyJhbGciOiJFZERTQSJ9.RXhhbXBsZSBvZiBFZDI1NTE5IHNpZ25pbmc"
		signature = "hgyY0il_MGCjP0JzlnLWG1PPOt7-09PGcvMg3AIbQR6dWbhijcNR4ki4iylGjg5BhVsPt9g7sVvpAr_MuM0KAg"
	)
	key := testKey(t, 1) // the key of A.1 is the one of RFC 8032 test 1
	if b64(key.Private().Seed()) != d || b64(key.Public()) != x {
		t.Fatal("the key is not the one of RFC 8037 A.1")
	}
	if want := b64([]byte(`{"alg":"EdDSA"}`)) + "." + b64([]byte("Example of Ed25519 signing")); want != text {
		t.Fatalf("the signing input is %s", want)
	}
	made, err := jwt.SigningMethodEdDSA.Sign(text, key.Private())
	if err != nil || b64(made) != signature {
		t.Errorf("signature %s (%v), RFC 8037 A.4 says %s", b64(made), err, signature)
	}
	if err := jwt.SigningMethodEdDSA.Verify(text, made, key.Public()); err != nil {
		t.Errorf("RFC 8037 A.5: %v", err)
	}
}

func TestTokenRoundTrip(t *testing.T) {
	key := testKey(t, 1)
	token, err := IssueToken(key, origin, noon.Add(700*time.Millisecond), MaxTokenLife)
	if err != nil {
		t.Fatal(err)
	}
	caller, err := CheckToken(token, origin, noon, registry(t))
	if err != nil {
		t.Fatal(err)
	}
	if caller.KeyID != key.ID() || caller.PersonID != "person-7" || !caller.HasRole(GoldRoomOfficer) {
		t.Errorf("caller %+v", caller)
	}
	again, err := IssueToken(key, origin, noon, MaxTokenLife)
	if err != nil || again == token {
		t.Errorf("two tokens of one moment are equal, so their jti is: %v", err)
	}
	// What it says, read without the package or the library.
	parts := strings.Split(token, ".")
	header, _ := base64.RawURLEncoding.DecodeString(parts[0])
	body, _ := base64.RawURLEncoding.DecodeString(parts[1])
	var said map[string]any
	if err := json.Unmarshal(body, &said); err != nil || string(header) != edHeader {
		t.Fatalf("header %s, claims %s, %v", header, body, err)
	}
	if said["iss"] != string(key.ID()) || said["sub"] != said["iss"] || said["aud"] != origin ||
		said["iat"] != float64(noon.Unix()) || said["exp"] != float64(noon.Unix()+300) || len(said["jti"].(string)) != 36 {
		t.Errorf("claims %s", body)
	}
}

func TestIssueTokenRefuses(t *testing.T) {
	key := testKey(t, 1)
	for _, ttl := range []time.Duration{0, -time.Second, 999 * time.Millisecond, 1500 * time.Millisecond,
		MaxTokenLife + time.Second} {
		_, err := IssueToken(key, origin, noon, ttl)
		wantReason(t, err, "TOKEN_LIFE")
	}
	for _, audience := range []string{"", strings.Repeat("a", 256)} {
		_, err := IssueToken(key, audience, noon, time.Minute)
		wantReason(t, err, "TOKEN_AUDIENCE")
	}
	_, err := IssueToken(Key{}, origin, noon, time.Minute)
	wantReason(t, err, "KEY_MISSING")
	longest, err := IssueToken(key, strings.Repeat("a", 255), noon, MaxTokenLife)
	if err != nil || len(longest) > maxToken {
		t.Errorf("the longest token has %d bytes, more than are read: %v", len(longest), err)
	}
}

// Every attack must be refused with its own reason; the honest token beside it must pass, so the test can fail.
func TestTokenAttacks(t *testing.T) {
	key, other := testKey(t, 1), testKey(t, 2)
	honest := handmade(key, edHeader, payload(key, nil))
	if _, err := CheckToken(honest, origin, noon, registry(t)); err != nil {
		t.Fatalf("the honest token is refused: %v", err)
	}
	with := func(name string, value any) string {
		return handmade(key, edHeader, payload(key, map[string]any{name: value}))
	}
	hs256 := func(secret []byte) string {
		text := b64([]byte(`{"alg":"HS256","typ":"JWT"}`)) + "." + b64([]byte(payload(key, nil)))
		mac := hmac.New(sha256.New, secret)
		mac.Write([]byte(text))
		return text + "." + b64(mac.Sum(nil))
	}
	parts := strings.Split(honest, ".")
	swapped := strings.Split(handmade(other, edHeader, payload(other, nil)), ".")
	// In base64url of 64 bytes the last digit has four unused bits: another spelling of the same signature.
	const digits = "ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz0123456789-_"
	last := strings.IndexByte(digits, honest[len(honest)-1])
	respelled := honest[:len(honest)-1] + string(digits[last^1])

	for _, tt := range []struct{ attack, token, reason string }{
		{"no token", "", "TOKEN_MISSING"},
		{"algorithm none, no signature", b64([]byte(`{"alg":"none","typ":"JWT"}`)) + "." + parts[1] + ".", "TOKEN_MALFORMED"},
		{"algorithm none, signature kept", b64([]byte(`{"alg":"none","typ":"JWT"}`)) + "." + parts[1] + "." + parts[2], "TOKEN_MALFORMED"},
		{"algorithm None", b64([]byte(`{"alg":"None"}`)) + "." + parts[1] + ".", "TOKEN_MALFORMED"},
		{"HS256 with the public key as secret", hs256(key.Public()), "TOKEN_MALFORMED"},
		{"HS256 with the key id as secret", hs256([]byte(key.ID())), "TOKEN_MALFORMED"},
		{"HS256 with an empty secret", hs256(nil), "TOKEN_MALFORMED"},
		{"ES256 named", handmade(key, `{"alg":"ES256"}`, payload(key, nil)), "TOKEN_MALFORMED"},
		{"lower-case eddsa", handmade(key, `{"alg":"eddsa"}`, payload(key, nil)), "TOKEN_MALFORMED"},
		{"no algorithm", handmade(key, `{"typ":"JWT"}`, payload(key, nil)), "TOKEN_MALFORMED"},
		{"algorithm a list", handmade(key, `{"alg":["EdDSA"]}`, payload(key, nil)), "TOKEN_MALFORMED"},
		{"header null", handmade(key, `null`, payload(key, nil)), "TOKEN_MALFORMED"},
		{"claims null", handmade(key, edHeader, `null`), "TOKEN_MALFORMED"},
		{"claims a list", handmade(key, edHeader, `[]`), "TOKEN_MALFORMED"},
		{"crit header", handmade(key, `{"alg":"EdDSA","crit":["b64"],"b64":false}`, payload(key, nil)), "TOKEN_MALFORMED"},
		{"jwk header naming another key", handmade(other, `{"alg":"EdDSA","jwk":{"kty":"OKP"}}`, payload(key, nil)), "TOKEN_MALFORMED"},
		{"kid header", handmade(key, `{"alg":"EdDSA","kid":"../../dev/null"}`, payload(key, nil)), "TOKEN_MALFORMED"},
		{"another typ", handmade(key, `{"alg":"EdDSA","typ":"at+jwt"}`, payload(key, nil)), "TOKEN_MALFORMED"},
		{"signed by another key", handmade(other, edHeader, payload(key, nil)), "TOKEN_SIGNATURE"},
		{"signature cut", honest[:len(honest)-2], "TOKEN_SIGNATURE"},
		{"signature empty", parts[0] + "." + parts[1] + ".", "TOKEN_SIGNATURE"},
		{"signature of another token", parts[0] + "." + parts[1] + "." + swapped[2], "TOKEN_SIGNATURE"},
		{"claims of another token", parts[0] + "." + swapped[1] + "." + parts[2], "TOKEN_SIGNATURE"},
		{"a second spelling of the signature", respelled, "TOKEN_MALFORMED"},
		{"padding", honest + "=", "TOKEN_MALFORMED"},
		{"four parts", honest + "." + parts[2], "TOKEN_MALFORMED"},
		{"two parts", parts[0] + "." + parts[1], "TOKEN_MALFORMED"},
		{"a newline inside", honest[:20] + "\n" + honest[20:], "TOKEN_SIGNATURE"},
		{"too long", honest + strings.Repeat("A", maxToken), "TOKEN_MALFORMED"},
		{"subject of another person", with("sub", other.ID()), "TOKEN_MALFORMED"},
		{"no subject", with("sub", nil), "TOKEN_MALFORMED"},
		{"no issuer", with("iss", nil), "TOKEN_MALFORMED"},
		{"issuer in capitals", with("iss", strings.ToUpper(string(key.ID()))), "TOKEN_MALFORMED"},
		{"no jti", with("jti", nil), "TOKEN_MALFORMED"},
		{"jti no UUID", with("jti", "1"), "TOKEN_MALFORMED"},
		{"jti in another spelling", with("jti", "{6f1c0e5a-8a51-4b0e-9d55-0f2f6c0e7a11}"), "TOKEN_MALFORMED"},
		{"no iat", with("iat", nil), "TOKEN_MALFORMED"},
		{"no exp", with("exp", nil), "TOKEN_MALFORMED"},
		{"exp a text", with("exp", "never"), "TOKEN_MALFORMED"},
		{"exp a fraction", with("exp", float64(noon.Unix())+1.5), "TOKEN_MALFORMED"},
		{"exp as large as can be", with("exp", int64(9223372036854775807)), "TOKEN_MALFORMED"},
		{"exp beyond that", handmade(key, edHeader, strings.Replace(payload(key, nil), `"exp":`, `"exp":1e99,"x":`, 1)), "TOKEN_MALFORMED"},
		{"iat as small as can be", with("iat", int64(-9223372036854775808)), "TOKEN_MALFORMED"},
		{"exp at iat", with("exp", noon.Unix()), "TOKEN_MALFORMED"},
		{"life of 301 s", with("exp", noon.Unix()+301), "TOKEN_MALFORMED"},
		{"audience of another log", with("aud", "ledger.example/other"), "TOKEN_AUDIENCE"},
		{"audience with a capital", with("aud", strings.ToUpper(origin)), "TOKEN_AUDIENCE"},
		{"audience a list with ours in it", with("aud", []string{"ledger.example/other", origin}), "TOKEN_MALFORMED"},
		{"no audience", with("aud", nil), "TOKEN_AUDIENCE"},
		{"an unregistered key", handmade(other, edHeader, payload(other, nil)), "KEY_UNKNOWN"},
	} {
		t.Run(tt.attack, func(t *testing.T) {
			caller, err := CheckToken(tt.token, origin, noon, registry(t))
			wantReason(t, err, tt.reason)
			if r := refusal.As(err); r != nil && r.Kind != refusal.Unauthenticated {
				t.Errorf("kind %v", r.Kind)
			}
			if caller.KeyID != "" || caller.Roles != nil {
				t.Errorf("a refused token gave the caller %+v", caller)
			}
		})
	}
}

// A small-order key as issuer would let anybody make its signature.
func TestTokenOfAWeakKey(t *testing.T) {
	forged := make([]byte, ed25519.SignatureSize)
	forged[0] = 1
	weakID := KeyID("01" + strings.Repeat("00", 31)) // the neutral point: every message verifies
	for i := range 64 {
		body := strings.ReplaceAll(payload(testKey(t, 1), map[string]any{"n": i}), string(testKey(t, 1).ID()), string(weakID))
		token := b64([]byte(edHeader)) + "." + b64([]byte(body)) + "." + b64(forged)
		_, err := CheckToken(token, origin, noon, func(KeyID) (Registered, bool, error) { return Registered{}, true, nil })
		wantReason(t, err, "TOKEN_MALFORMED")
	}
}

// Every single flipped bit of a token is refused.
func TestTokenFlippedBits(t *testing.T) {
	token := handmade(testKey(t, 1), edHeader, payload(testKey(t, 1), nil))
	for i := range token {
		for bit := range 8 {
			b := []byte(token)
			b[i] ^= 1 << bit
			if _, err := CheckToken(string(b), origin, noon, registry(t)); err == nil {
				t.Fatalf("bit %d of byte %d flipped, and accepted", bit, i)
			}
		}
	}
}

// By hand from RFC 7519, 4.1.4 and 4.1.6, with the skew of one minute on each side: iat 12:00:00, exp 12:05:00.
func TestTokenTimes(t *testing.T) {
	token := handmade(testKey(t, 1), edHeader, payload(testKey(t, 1), nil))
	for _, tt := range []struct {
		at   string
		good bool
	}{
		{"11:58:59.999999999", false}, {"11:59:00", true}, {"12:00:00", true}, {"12:05:00", true},
		{"12:05:59.999999999", true}, {"12:06:00", false}, {"23:59:59", false}, {"00:00:00", false},
	} {
		now, err := time.Parse(time.RFC3339Nano, "2026-03-14T"+tt.at+"Z")
		if err != nil {
			t.Fatal(err)
		}
		_, err = CheckToken(token, origin, now.In(time.FixedZone("west", -5*3600)), registry(t))
		if tt.good && err != nil {
			t.Errorf("at %s: %v", tt.at, err)
		}
		if !tt.good {
			wantReason(t, err, "TOKEN_EXPIRED")
		}
	}
}

func TestRevokedKey(t *testing.T) {
	token := handmade(testKey(t, 1), edHeader, payload(testKey(t, 1), nil))
	for _, tt := range []struct {
		from time.Time
		good bool
	}{{noon, false}, {noon.Add(-time.Hour), false}, {noon.Add(time.Nanosecond), true}, {time.Time{}, true}} {
		_, err := CheckToken(token, origin, noon, func(KeyID) (Registered, bool, error) {
			return Registered{RevokedFrom: tt.from}, true, nil
		})
		if tt.good && err != nil {
			t.Errorf("revoked from %v: %v", tt.from, err)
		}
		if !tt.good {
			wantReason(t, err, "KEY_REVOKED")
		}
	}
}

// Nobody learns who is registered without holding the key: the registry is asked last.
func TestLookupIsAskedLast(t *testing.T) {
	key, other := testKey(t, 1), testKey(t, 2)
	for _, token := range []string{
		"", "x", handmade(other, edHeader, payload(key, nil)),
		handmade(key, edHeader, payload(key, map[string]any{"aud": "ledger.example/other"})),
		handmade(key, edHeader, payload(key, map[string]any{"iat": noon.Unix() - 1000, "exp": noon.Unix() - 900})),
	} {
		_, err := CheckToken(token, origin, noon, func(KeyID) (Registered, bool, error) {
			t.Error("the registry was asked about a bad token")
			return Registered{}, false, nil
		})
		if err == nil {
			t.Error("a bad token passed")
		}
	}
	broken := errors.New("store closed")
	_, err := CheckToken(handmade(key, edHeader, payload(key, nil)), origin, noon,
		func(KeyID) (Registered, bool, error) { return Registered{}, true, broken })
	if !errors.Is(err, broken) {
		t.Errorf("a failing registry gave %v", err)
	}
}

func TestBearerToken(t *testing.T) {
	for header, want := range map[string]string{"Bearer a.b.c": "a.b.c", "bearer a.b.c": "a.b.c"} {
		if got, err := BearerToken(header); err != nil || got != want {
			t.Errorf("%q: %q, %v", header, got, err)
		}
	}
	for header, reason := range map[string]string{"": "TOKEN_MISSING", "  ": "TOKEN_MISSING", "Basic x": "TOKEN_MALFORMED",
		"Bearer": "TOKEN_MALFORMED", "Bearer ": "TOKEN_MALFORMED", "a.b.c": "TOKEN_MALFORMED"} {
		_, err := BearerToken(header)
		wantReason(t, err, reason)
	}
}

// Property: whatever is accepted was signed by the key that it names; whatever is refused says so as a refusal, in
// bounded text.
func FuzzCheckToken(f *testing.F) {
	key := testKey(f, 1)
	f.Add(handmade(key, edHeader, payload(key, nil)))
	f.Add(handmade(key, `{"alg":"none"}`, payload(key, nil)))
	f.Add(handmade(key, edHeader, `{"exp":1e400}`))
	f.Add("..")
	f.Add("")
	all := func(KeyID) (Registered, bool, error) { return Registered{}, true, nil }
	f.Fuzz(func(t *testing.T, token string) {
		caller, err := CheckToken(token, origin, noon, all)
		if err != nil {
			r := refusal.As(err)
			if r == nil || r.Kind != refusal.Unauthenticated || len(r.Text) > 2000 {
				t.Fatalf("refused by %v", err)
			}
			return
		}
		cut := strings.LastIndex(token, ".")
		signature, err := base64.RawURLEncoding.DecodeString(token[cut+1:])
		public, keyErr := caller.KeyID.Public()
		if err != nil || keyErr != nil || !ed25519.Verify(public, []byte(token[:cut]), signature) {
			t.Fatalf("accepted without a signature of %s", caller.KeyID)
		}
	})
}

func BenchmarkCheckToken(b *testing.B) {
	token := handmade(testKey(b, 1), edHeader, payload(testKey(b, 1), nil))
	lookup := registry(b)
	for b.Loop() {
		if _, err := CheckToken(token, origin, noon, lookup); err != nil {
			b.Fatal(err)
		}
	}
}

func ExampleKeyID_Short() {
	fmt.Println(KeyID(rfc8032[0].public).Short())
	// Output: d75a-9801-82b1-0ab7
}

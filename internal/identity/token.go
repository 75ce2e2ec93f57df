package identity

import (
	"encoding/json"
	"errors"
	"fmt"
	"strings"
	"time"

	"github.com/golang-jwt/jwt/v5"
	"github.com/google/uuid"

	"barward/internal/refusal"
)

// A token is a JSON Web Token (RFC 7519) signed with EdDSA (RFC 8037) by the person's own key. Issuer and subject are
// the KeyID, the audience is the origin of the log, the life is at most MaxTokenLife. There is no server that issues
// tokens and no secret that could be stolen from one: whoever holds the key speaks for the person, nobody else.
//
// A captured token is good for reads until it expires. For writes it is good for nothing, because each event is signed
// as well and counts once by its id.

// Registered is what the registry says of a key.
type Registered struct {
	Caller      Caller
	RevokedFrom time.Time // the moment from which the key no longer counts; zero if it was not revoked
}

// Lookup finds a key in the registry; false if it was never registered.
type Lookup func(KeyID) (Registered, bool, error)

// claims are all that a token may say to us. Times are whole seconds: the RFC allows fractions, we issue none.
type claims struct {
	Issuer   string `json:"iss"`
	Subject  string `json:"sub"`
	Audience string `json:"aud"`
	IssuedAt int64  `json:"iat"`
	Expires  int64  `json:"exp"`
	ID       string `json:"jti"`
}

// The library asks for these; its own checks are switched off, and CheckToken reads the fields.
func (c *claims) GetExpirationTime() (*jwt.NumericDate, error) { return numeric(c.Expires), nil }
func (c *claims) GetIssuedAt() (*jwt.NumericDate, error)       { return numeric(c.IssuedAt), nil }
func (c *claims) GetNotBefore() (*jwt.NumericDate, error)      { return nil, nil }
func (c *claims) GetIssuer() (string, error)                   { return c.Issuer, nil }
func (c *claims) GetSubject() (string, error)                  { return c.Subject, nil }
func (c *claims) GetAudience() (jwt.ClaimStrings, error)       { return jwt.ClaimStrings{c.Audience}, nil }

func numeric(seconds int64) *jwt.NumericDate { return jwt.NewNumericDate(time.Unix(seconds, 0)) }

// IssueToken makes a token of key for audience, the origin of the log, valid from now (cut to the second) for ttl, which
// is whole seconds from 1 s to MaxTokenLife.
func IssueToken(key Key, audience string, now time.Time, ttl time.Duration) (string, error) {
	if key.IsZero() {
		return "", refusal.Invalidf("KEY_MISSING", "key", "There is no key to sign a token with. Open a key file first.")
	}
	if audience == "" || len(audience) > maxAudience {
		return "", refusal.Invalidf("TOKEN_AUDIENCE", "audience",
			"The audience of a token is the origin of the log, 1 to %d bytes; found %d.", maxAudience, len(audience))
	}
	if ttl < time.Second || ttl > MaxTokenLife || ttl%time.Second != 0 {
		return "", refusal.Invalidf("TOKEN_LIFE", "ttl",
			"A token lives whole seconds from 1s to %s; found %s.", MaxTokenLife, ttl).With("ttl", ttl.String())
	}
	id, err := uuid.NewRandom()
	if err != nil {
		return "", refusal.New(refusal.Internal, "KEY_NO_CHANCE", "",
			"No random numbers could be had from the operating system, so no token was made.").Because(err)
	}
	name := string(key.ID())
	token := jwt.NewWithClaims(jwt.SigningMethodEdDSA, &claims{
		Issuer: name, Subject: name, Audience: audience,
		IssuedAt: now.Unix(), Expires: now.Unix() + int64(ttl/time.Second), ID: id.String(),
	})
	signed, err := token.SignedString(key.Private())
	if err != nil {
		return "", refusal.New(refusal.Internal, "TOKEN_NOT_SIGNED", "", "The token could not be signed.").Because(err)
	}
	return signed, nil
}

// BearerToken takes the token out of the value of an authorization header, "Bearer <token>" (RFC 6750, section 2.1).
func BearerToken(header string) (string, error) {
	if strings.TrimSpace(header) == "" {
		return "", missing()
	}
	scheme, token, found := strings.Cut(header, " ")
	if !found || !strings.EqualFold(scheme, "Bearer") || token == "" {
		return "", malformed("the authorization is not of the form `Bearer <token>`", nil)
	}
	return token, nil
}

// CheckToken returns the registered caller that token proves, or a refusal of kind Unauthenticated:
//
//	TOKEN_MISSING    there is none
//	TOKEN_MALFORMED  not a token of ours: size, encoding, header, algorithm other than EdDSA, or claims
//	TOKEN_SIGNATURE  not signed by the key that it names
//	TOKEN_AUDIENCE   made for another log
//	TOKEN_EXPIRED    its time is past or, beyond MaxClockSkew, not yet come
//	KEY_UNKNOWN      the key is not registered
//	KEY_REVOKED      the key was revoked, from now or earlier
//
// The order is the order of the list: what a stranger can learn without a valid signature is nothing about this log,
// and without a valid token for it nothing about who is registered.
func CheckToken(token, audience string, now time.Time, lookup Lookup) (Caller, error) {
	if token == "" {
		return Caller{}, missing()
	}
	if len(token) > maxToken {
		return Caller{}, malformed(fmt.Sprintf("it has %d bytes, at most %d are allowed", len(token), maxToken), nil)
	}
	said, id, err := readToken(token)
	if err != nil {
		return Caller{}, err
	}
	if said.Audience != audience {
		return Caller{}, refuse("TOKEN_AUDIENCE",
			"The token was made for %s, this log is %s. Connect to the log that you mean, or set its origin.",
			quote(said.Audience), quote(audience)).With("found", quote(said.Audience)).With("origin", quote(audience))
	}
	if err := checkTimes(said, now); err != nil {
		return Caller{}, err
	}
	registered, known, err := lookup(id)
	if err != nil {
		return Caller{}, err
	}
	if !known {
		return Caller{}, refuse("KEY_UNKNOWN",
			"The key %s is not registered here. Have the administrator of your party enrol it.", id.Short()).
			With("key_id", string(id))
	}
	if from := registered.RevokedFrom; !from.IsZero() && !now.Before(from) {
		return Caller{}, refuse("KEY_REVOKED",
			"The key %s was revoked from %s. Have the administrator of your party enrol a new one.",
			id.Short(), from.UTC().Format(time.RFC3339)).
			With("key_id", string(id)).With("revoked_from", from.UTC().Format(time.RFC3339))
	}
	caller := registered.Caller
	caller.KeyID = id
	return caller, nil
}

// parser takes EdDSA only and leaves times to us, because we pass the clock in. Strict decoding leaves each token one
// spelling.
var parser = jwt.NewParser(jwt.WithValidMethods([]string{jwt.SigningMethodEdDSA.Alg()}),
	jwt.WithStrictDecoding(), jwt.WithoutClaimsValidation())

// readToken checks form and signature.
func readToken(token string) (*claims, KeyID, error) {
	said := &claims{}
	var id KeyID
	_, err := parser.ParseWithClaims(token, said, func(t *jwt.Token) (any, error) {
		// The method is already known to be EdDSA. Other header fields are refused, not ignored: `crit` must be
		// (RFC 7515, 4.1.11), and `jwk`, `jku`, `x5u` and `kid` would name a key in a second place.
		for name := range t.Header {
			if name != "alg" && name != "typ" {
				return nil, malformed("its header has the field "+quote(name)+", only alg and typ are allowed", nil)
			}
		}
		if typ, given := t.Header["typ"]; given && typ != "JWT" {
			return nil, malformed("its typ is not JWT", nil)
		}
		var err error
		if id, err = ParseKeyID(said.Issuer); err != nil {
			return nil, malformed("its issuer is not a key id", err)
		}
		return id.Public()
	})
	var ours *refusal.Error
	switch {
	case err == nil:
	case errors.As(err, &ours):
		return nil, "", ours
	case errors.Is(err, jwt.ErrEd25519Verification):
		return nil, "", refuse("TOKEN_SIGNATURE",
			"The token was not signed by the key that it names. Sign in again with your key file.").Because(err)
	case errors.Is(err, jwt.ErrTokenSignatureInvalid), errors.Is(err, jwt.ErrTokenUnverifiable):
		return nil, "", malformed("its algorithm is not EdDSA", err)
	default:
		var field *json.UnmarshalTypeError
		if errors.As(err, &field) && field.Field != "" {
			return nil, "", malformed("its claim "+quote(field.Field)+" has the wrong form", err)
		}
		return nil, "", malformed("it is not three parts of base64url with JSON in the first two", err)
	}
	if said.Subject != said.Issuer {
		return nil, "", malformed("its subject is not its issuer", nil)
	}
	if parsed, err := uuid.Parse(said.ID); err != nil || parsed.String() != said.ID {
		return nil, "", malformed("its jti is not a UUID", nil)
	}
	if said.IssuedAt <= 0 || said.IssuedAt > maxTokenTime || said.Expires <= said.IssuedAt || said.Expires > maxTokenTime {
		return nil, "", malformed("its exp is not after its iat", nil)
	}
	if life := time.Duration(said.Expires-said.IssuedAt) * time.Second; life > MaxTokenLife {
		return nil, "", malformed(fmt.Sprintf("it would live longer than the %s that are allowed", MaxTokenLife), nil)
	}
	return said, id, nil
}

// checkTimes: exp is the first moment at which the token no longer counts (RFC 7519, 4.1.4), iat the first at which it
// does; the skew is allowed on both sides.
func checkTimes(said *claims, now time.Time) error {
	from, until := time.Unix(said.IssuedAt, 0), time.Unix(said.Expires, 0)
	if now.Before(until.Add(MaxClockSkew)) && !now.Before(from.Add(-MaxClockSkew)) {
		return nil
	}
	return refuse("TOKEN_EXPIRED",
		"The token counts from %s until %s, and here it is %s. Sign in again; if it recurs, set the clock of the machine.",
		from.UTC().Format(time.RFC3339), until.UTC().Format(time.RFC3339), now.UTC().Format(time.RFC3339)).
		With("from", from.UTC().Format(time.RFC3339)).With("until", until.UTC().Format(time.RFC3339)).
		With("now", now.UTC().Format(time.RFC3339))
}

func refuse(reason, format string, args ...any) *refusal.Error {
	return refusal.New(refusal.Unauthenticated, reason, "", format, args...)
}

func missing() *refusal.Error {
	return refuse("TOKEN_MISSING", "The call carries no token. Send `authorization: Bearer <token>`, signed by your key.")
}

func malformed(what string, cause error) *refusal.Error {
	return refuse("TOKEN_MALFORMED", "The token cannot be read: %s. Sign in again with your key file.", what).
		With("found", what).Because(cause)
}

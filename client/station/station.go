// Package station is one workstation of a party: it signs, keeps, sends, reads and verifies. The command line and
// the desk are two faces of it; neither holds more than flags or pages.
//
// A Station is one folder (the home) and one service. The home holds the outbox, the last checkpoint and the log's
// key, results that are sealed until their reveal, and what is remembered for times without a link. README says
// what somebody who can alter each file could make us believe; none of them holds an open key.
//
// Invariants:
//
//  1. An event is on the disk, signed, before it is sent; a lost link or a kill loses nothing and records nothing twice.
//  2. No receipt counts until the entry behind it is shown to be in the tree that the log has signed.
//  3. The log must show that it only grew since it was seen last: on every connection, before anything is sent over it or
//     any answer from it is believed. A log that cannot ends the work (*Untrusted) and leaves both checkpoints as evidence.
//  4. A result is on the disk before the commitment that seals it is sent.
//
// Masses are texts with their unit, finenesses parts per thousand, times RFC 3339. Errors are *refusal.Error, what the
// service answered (AsRefusal reads both), or *Untrusted. Standards: RFC 6962, C2SP signed-note, tlog-checkpoint and
// tlog-cosignature, RFC 8032, RFC 8446. Left out: prompting and printing, and every rule of the trade.
package station

import (
	"context"
	"sync"
	"time"

	"google.golang.org/grpc"

	"barward/client/outbox"
	"barward/internal/identity"
	"barward/internal/refusal"
)

// Config says which folder and which service. Only Home and Server are needed.
type Config struct {
	Home   string // folder, made if it is not there
	Server string // host:port
	// CA is a PEM file of the authority that signed the service's certificate; the system's list if empty. Without it a
	// service on this very machine is spoken to in plain text.
	CA string
	// Certificate and CertificateKey are PEM files that show this workstation to the service (mutual TLS); both or
	// neither. They are read anew for every connection, so a renewed certificate needs no restart.
	Certificate, CertificateKey string
	// LogKey is the log's public key, or a file that holds it; empty: the first one seen is kept.
	LogKey  string
	Party   string        // the party acted for; empty: asked of the service and remembered
	Timeout time.Duration // longest wait for one answer; 30 s if zero
	Now     func() time.Time
	Say     func(format string, args ...any) // notices, such as the first use of a log; nil: silent
	// Unlock is asked for the key when one is needed and none is in use; it may ask a person. Nil: KEY_LOCKED.
	Unlock func() (identity.Key, error)
}

// Station is one folder and one service. It is safe for concurrent use.
type Station struct {
	config Config
	home   Home
	box    *outbox.Outbox

	mu     sync.Mutex // of what follows
	key    identity.Key
	token  token
	conn   *grpc.ClientConn
	trust  trust
	doubts []doubt // receipts that are filed and not proven yet

	unlocking sync.Mutex // one question for a passphrase at a time
	advancing sync.Mutex // one look at the checkpoint at a time
	dialled   counter    // connections made
}

// Open opens the home and its outbox. No link is needed. Reasons: those of outbox.Open.
func Open(c Config) (*Station, error) {
	if c.Timeout <= 0 {
		c.Timeout = defaultTimeout
	}
	if c.Now == nil {
		c.Now = time.Now
	}
	if c.Say == nil {
		c.Say = func(string, ...any) {}
	}
	s := &Station{config: c, home: Home{c.Home}}
	var err error
	s.box, err = outbox.Open(s.home.Path("outbox"))
	if err != nil {
		return nil, err
	}
	return s, nil
}

// Close gives up the link. Nothing is lost by it: what mattered is on the disk.
func (s *Station) Close() error {
	s.mu.Lock()
	conn := s.conn
	s.conn = nil
	s.mu.Unlock()
	if conn == nil {
		return nil
	}
	return conn.Close()
}

// Use says whose key signs and identifies from now on; the zero key: nobody's.
func (s *Station) Use(key identity.Key) {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.key, s.token = key, token{}
}

// Key returns the key in use, zero if none is.
func (s *Station) Key() identity.Key {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.key
}

// Unlocked returns the key in use, or asks Config.Unlock for one and uses it.
func (s *Station) Unlocked() (identity.Key, error) {
	s.unlocking.Lock()
	defer s.unlocking.Unlock()
	if key := s.Key(); !key.IsZero() {
		return key, nil
	}
	if s.config.Unlock == nil {
		return identity.Key{}, refusal.New(refusal.Unauthenticated, "KEY_LOCKED", "",
			"No key is open on this workstation. Unlock one with its passphrase.")
	}
	key, err := s.config.Unlock()
	if err == nil {
		s.Use(key)
	}
	return key, err
}

// Outbox is where signed events wait.
func (s *Station) Outbox() *outbox.Outbox { return s.box }

// Home is the folder of the station.
func (s *Station) Home() Home { return s.home }

// Now reads the clock of the station.
func (s *Station) Now() time.Time { return s.config.Now() }

// call bounds the wait for one answer.
func (s *Station) call(ctx context.Context) (context.Context, context.CancelFunc) {
	return context.WithTimeout(ctx, s.config.Timeout)
}

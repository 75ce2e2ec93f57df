package identity

import "time"

// Bounds of this package, together so that they can be reviewed at a glance.
const (
	maxPersonLabel = 200 // bytes of the label in a key file
	maxKeyFile     = 4096
	minPassphrase  = 8 // characters; the file is the second thing that a thief needs
	maxPassphrase  = 1024

	minWorkFactor = 10 // 2^10 scrypt rounds: milliseconds, for tests
	maxWorkFactor = 20 // 2^20 rounds: about four seconds and 1 GiB, so that an altered file cannot hang the client

	maxToken    = 2048 // bytes of a whole token
	maxAudience = 255

	// MaxTokenLife is the longest time between iat and exp.
	MaxTokenLife = 5 * time.Minute
	// MaxClockSkew is how far the clocks of caller and service may differ.
	MaxClockSkew = time.Minute

	maxTokenTime = 1 << 38 // seconds, year 10680: keeps the sums of times far from overflow
)

//go:build !unix

package identity

import "errors"

func makePipe(string) error { return errors.ErrUnsupported }

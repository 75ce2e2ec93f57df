//go:build !linux

package main

import "net"

// peerIsOwner cannot ask who the other end is on this system; the permissions of the socket must do.
func peerIsOwner(net.Conn) bool { return true }

package main

import (
	"net"
	"os"

	"golang.org/x/sys/unix"
)

// peerIsOwner reports whether the other end of a Unix socket is a process of the same user as this one, or of root.
func peerIsOwner(conn net.Conn) bool {
	c, ok := conn.(*net.UnixConn)
	if !ok {
		return false
	}
	raw, err := c.SyscallConn()
	if err != nil {
		return false
	}
	var who *unix.Ucred
	var asked error
	if err := raw.Control(func(fd uintptr) { who, asked = unix.GetsockoptUcred(int(fd), unix.SOL_SOCKET, unix.SO_PEERCRED) }); err != nil {
		return false
	}
	return asked == nil && (who.Uid == 0 || int(who.Uid) == os.Geteuid())
}

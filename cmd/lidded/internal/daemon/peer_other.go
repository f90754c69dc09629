//go:build !linux

package daemon

// peerOf cannot tell whose a socket is here.
func peerOf(string) int { return 0 }

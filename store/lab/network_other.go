//go:build !linux

package lab

import "syscall"

// giveUp cannot be asked for here: the deadlines of what is asked remain.
func giveUp(string, string, syscall.RawConn) error { return nil }

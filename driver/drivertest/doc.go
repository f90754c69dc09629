// Package drivertest helps to test what stands on package driver: fakes of both
// roles with a simple truth, recording and playback of what passes over a link,
// and the suites that every implementation of a role must pass.
//
// It is for tests only and depends on no dialect and on no virtual bench: the
// caller gives the suites what they need to know.
package drivertest

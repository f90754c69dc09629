// Package rest is the daemon's HTTP face: resources under /v1, live events,
// health, and the OpenAPI document that describes them.
//
// It owns the wire types (so that the interface stays put while the domain
// moves), the one mapping from errors to problem documents (RFC 9457,
// errors.go), the guard that keeps other web sites out, and the limits of the
// HTTP server. It measures and stores nothing: what it shows and starts comes
// through the small interfaces in ports.go.
//
// On the wire a number carries its unit in its name, a duration is in seconds,
// a time is RFC 3339 in UTC, and a lower bound is never a bare number: it
// stands in an object with its relation. There is no NaN: a missing value is
// null or left out.
package rest

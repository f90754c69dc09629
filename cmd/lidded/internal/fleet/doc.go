// Package fleet knows the daemons of a lab and passes requests on to them: it
// answers, for a lab server, what belongs to benches as they are now.
//
// It owns which daemon has which bench, which daemons are away and since when,
// and the passing on of requests and answers as they are, with the caller's own
// token and never with another. It executes nothing itself, asks only the
// addresses it was given, follows no redirect, and reads no records of the lab
// but who shipped them.
package fleet

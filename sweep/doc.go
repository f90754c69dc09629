// Package sweep is the domain: what is measured (Plan, Specimen, Bench), what
// was captured (Run, Capture, Look), what it means (Result), and the ports the
// engine needs from outside (Journal, Observer).
//
// It is pure: it plans, checks, estimates and judges, but neither talks to an
// instrument nor stores anything. Package engine runs a plan, package store
// keeps it, package report renders it.
package sweep

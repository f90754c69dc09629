// Package metrics tells a Prometheus server how the benches stand and what
// they last found out. It is the only importer of the client library.
//
// It owns names, labels and the bound on their number. It is fed: Observe with
// live pictures of runs, Exchange and Reconnect by the links, Load with
// results (at the start from the store, so that they survive a restart, and
// after each run). No feeding call waits for a scrape or for anything else.
//
// It judges nothing and keeps no history. A shielding effectiveness always
// comes with a second series that says whether it is a lower bound; a point
// without a claim has neither.
package metrics

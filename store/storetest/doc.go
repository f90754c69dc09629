// Package storetest is the conformance suite of stores: what a journal with its
// archive must do, whatever database is underneath.
//
// A store's own tests call Run with a Place that opens it. What only one
// database does (locks, files, migrations) is tested beside that store.
package storetest

// Package export writes a run for other programs: tidy CSV tables with units in
// the column names, and one JSON file that describes them column by column.
//
// It owns the tables and their description. It is pure rendering: it evaluates
// nothing, reads no store and opens no file.
//
// A lower bound can not be taken for a value: a measured SE stands in se_db, a
// bound in se_at_least_db, never both, and se_relation stands before them. A
// level that is an upper limit stands in enclosed_at_most_dbm.
//
// The description is a data package (Data Package standard, version 2.0, 26 June
// 2024, datapackage.org, with its Table Schema), narrowed by Schema. The same
// run gives the same bytes: computed levels and ratios are rounded to 0.001 dB,
// limits to the safe side; what was read back or captured is written in full.
package export

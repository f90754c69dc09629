// Package document makes the report of a finished run, for a client or a
// reviewer: self-contained HTML and PDF, in full or on one page.
//
// It owns what a report says and in what order, its plots, and both ways of
// writing it. Both are written from one Document, so that they cannot differ in
// what they say. It is pure: it reads no file, no clock and no store; the same
// Input gives the same bytes. It recomputes no result.
//
// The contents follow the reporting clauses of IEEE Std 299-2006 (4.2 to 4.4, 6;
// from memory, check against your copy). What nobody stated is listed as
// missing, never filled in.
package document

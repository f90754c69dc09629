// Package openapi reads an OpenAPI 3.1 document and does two things with it: it
// makes a page of it for people (Page), and says where a newer document would break
// a client of an older one (Breaks).
//
// It owns that reading, of as much of the standard as the daemon's own document
// uses, and the look of the page, which needs no script and nothing from elsewhere.
// It knows no route and no type of the daemon; package rest makes the document.
package openapi

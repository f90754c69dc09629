// Package configs holds the data files that ship with the program.
package configs

import "embed"

// FS holds the shipped files: requirements/*.yaml and the like.
//
//go:embed all:benches all:dialects all:requirements all:materials all:plans all:specimens all:never-transmit all:exposure
var FS embed.FS

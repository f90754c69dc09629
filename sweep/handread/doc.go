// Package handread reads levels that a person took off an analyzer's screen
// and typed into a CSV file, and turns them into a run with its captures, so
// that an analyzer without a remote port gets the same evaluation.
//
// It owns the format of that file and what is wrong with one: every problem
// names file, line, column and cure. It judges nothing and stores nothing.
//
// # The file
//
// Comma-separated (RFC 4180), UTF-8, decimal points, the first line names the
// columns in any order:
//
//	freq_mhz,state,specimen,level_dbm,noise_floor_dbm
//	30,reference,,-20.4,-101
//	30,enclosed,locker-a,-78.2,-101
//
// One column each of:
//
//   - freq_hz, freq_khz, freq_mhz, freq_ghz, or frequency with the unit in each
//     cell ("30 MHz");
//   - state: ambient, reference, enclosed or closing_reference;
//   - level_dbm, or level with the unit in each cell ("-20.4 dBm"). Where no
//     signal was seen, the marker's reading, which is then the noise;
//   - noise_floor_dbm or noise_floor: the marker's reading with the source off
//     and the same settings. It may be empty for ambient rows alone.
//
// And, where there is more than one: specimen (enclosed rows alone), position
// (default "center"), polarization (default "vertical").
package handread

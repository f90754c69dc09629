// Package access decides who comes in: the roles, the bearer tokens and the
// file that keeps their hashes, the limits on how often somebody may ask, and
// the settings under which a daemon may be reached by others at all.
//
// It owns the token file and the reading of the web config file (the format of
// github.com/prometheus/exporter-toolkit); it is the only importer of that
// library. It knows no route: package rest says which role a route needs, and
// asks the Gate at each request.
package access

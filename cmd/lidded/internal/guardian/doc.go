// Package guardian stands by to switch a source off when the daemon cannot: a
// separate process for each bench that holds nothing but the source's address
// and its safe state, and a pipe to the daemon.
//
// The daemon's side (Guardian) starts the process, beats at it, and tells it
// before the source is keyed and after it was read back as off. The process's
// side (Watch) acts when the pipe closes without a farewell (the daemon was
// killed), when beats are missed while the source may be on (the daemon hangs:
// it is ended first, since an instrument may take one connection only), and when
// the daemon says that it has lost the source. It then puts the source into its
// safe state, again and again until it reads back as off.
//
// It decides nothing about runs and never keys anything. What guards against the
// loss of the whole machine is not its business: the service manager and the
// interlocks of the site are.
package guardian

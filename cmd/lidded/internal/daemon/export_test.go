package daemon

// What tests look at from outside.
var (
	EveryDay   = everyDay
	NewBacklog = newBacklog
	Add        = (*backlog).add
	Take       = (*backlog).take
)

package daemon

// EveryDay acts at a time of day.
var EveryDay = everyDay

package sweep

// WorstOf is worst, for tests.
var WorstOf = worst

package sweep

// WorstOf is worst, for tests.
var WorstOf = worst

// VertexOf is vertexOf, for tests.
var VertexOf = vertexOf

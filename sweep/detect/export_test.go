package detect

// The saddlepoint formula and the place where it takes over inside a judgement.
var SaddleMean = saddleMean

const FastUpTo = fastUpTo

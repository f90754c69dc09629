// Package emission is about what leaves the antenna: the frequencies that are
// never transmitted on whatever else is permitted (Never), and how far away
// people are kept from what is radiated (Chain, Limits, Expose).
//
// It owns the never-transmit table and the exposure limits that ship as data
// files, and the arithmetic on them. It decides no permission: who may transmit
// where, which limits hold at a site and whether they are met is for local codes
// and competent persons. Nothing here says that anything is compliant.
//
// References: 47 CFR 1.1310 (limits), OET Bulletin 65 edition 97-01 (prediction
// formulas, ground reflection), ICNIRP 2020 (Health Physics 118:483), 47 CFR
// 15.205 (restricted bands).
package emission

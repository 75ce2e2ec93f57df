// Package settlement turns the terms of an agreement and the figures of a lot into what the lot pays, and compares that
// with what a refiner states.
//
// An agreement is data: Terms say everything that moves metal or money, and Check refuses an agreement that leaves any of
// it out. Settle is a function of a lot and its terms: fine content, payable content, value, charges, penalties, advance,
// net, each line with its formula, its rounding, its exact value and the entries it rests on. Reconcile splits the
// difference between two statements into causes.
//
// Units: contents are in the unit that the terms of a metal name (g, kg, oz or mg; one oz is 31.1034768 g); finenesses in
// parts per thousand unless they name another unit; amounts in the currency of the agreement; percentages are percent.
//
// Invariants:
//  1. Nothing is computed in binary floating point.
//  2. Products stay exact up to a rounding that the terms name, and each rounding is done once.
//  3. Lines that count sum to the net; per metal received = payable + unpaid + loss, exact at the printed places.
//  4. Content equal to a threshold, a floor or the start of a band is at it: no penalty, paid, in the band.
//  5. Equal lots and terms give equal statements, to the byte. No clock, no store and no chance is read.
//  6. The parts of a reconciliation add up to its difference, in metal and in money.
//
// # The return as CSV
//
// A return is a CSV table (RFC 4180, UTF-8) with a header and these columns, in any order, all present:
//
//	code          which line: gross_received, gross_after_melt, melt_loss, gross_weight, fineness, fine, payable,
//	              fine_total, payable_total, price, gross_rate, value, metal_value, charge, penalty, net_value, held_back,
//	              advance, interest, net, converted, credited
//	element       symbol of the metal or, for a penalty, of the unwanted element; empty where there is none
//	name          of a charge as the agreement calls it; of an advance and its interest 1, 2 and so on
//	unit          bar or melt; empty for the lot
//	quantity      a plain decimal; empty where not stated
//	quantity_unit g, kg, mg or oz for weights; bars, melts, lot, days or a currency for others
//	rate          fineness, percentage, price or rate of a charge
//	rate_unit     ppt, % or g/t for a fineness; percent; USD/oz and the like
//	amount        such as -663.97 USD; below zero where it is taken from the seller
//
// Each line stands once. Example:
//
//	code,element,name,unit,quantity,quantity_unit,rate,rate_unit,amount
//	payable_total,Au,,,979.809,oz,,,
//	value,Au,,,979.809,oz,2350.25,USD/oz,2302796.10 USD
//	charge,,treatment,,1207.216,oz,0.55,USD/oz,-663.97 USD
//	net,,,,,,,,226324.11 USD
//
// Prices have the columns series, date and value; holidays the columns calendar and date.
//
// # Sources
//
// The troy ounce: quantity. Day counts, business days and quotational periods: the conventions are those of the money
// markets; 30/360 is the US rule. The order and the direction of rounding are the agreement's: published settlements
// differ in both. Payable content, deductions, charges and penalties are common practice, and each is a choice that the
// agreement names.
//
// # Left out
//
// Compound interest, charges in steps by lot size, conversion line by line, and weekends other than Saturday and Sunday.
package settlement

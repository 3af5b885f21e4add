// The index of a divided study shares `words.js` with the pages, but has no cards and no streets
// with questions: what that file would call there is never reached.
declare function showCard(takesFocus: boolean): void;
declare function fillLink(link: any, number: any, subject: any): void;

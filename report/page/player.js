(function(){
"use strict";
var UNKNOWN=-9999,PAIRS=[[0,2],[2,4],[6,8],[8,10],[10,12],[12,14],[10,14]];
function each(list,f){Array.prototype.forEach.call(list,f)}
function clamp(v,a,b){return Math.max(a,Math.min(b,v))}
function fixed(v,n){var s=Math.abs(v).toFixed(n);return(v<0&&Number(s)!==0?"−":"")+s}
var players=[];
each(document.querySelectorAll("[data-player]"),function(root){
var d=JSON.parse(root.querySelector("script[type='application/json']").textContent);
var q=function(s){return root.querySelector(s)};
var video=q("video"),canvas=q("canvas"),ctx=canvas.getContext("2d"),range=q("input[type=range]"),say=q(".now"),play=q(".play"),speed=q(".speed");
var stage=q(".stage"),n=d.frames.length,at=Number(range.value),playing=false,wanted=-1,timer=0,ready=false;
var contact=null;d.marks.forEach(function(m){if(m.name==="contact")contact=m});
var LEAD="#ffc64a",REAR="#86d3f2",CHALK="#fff",WAY="#ff9ec4",EDGE="rgba(16,24,24,.65)";
root.classList.add("on");
canvas.width=d.width;canvas.height=d.height;
function show(name){var b=q("[data-show="+name+"]");return b&&b.checked}
function line(pts,color,width,dash){
if(pts.length<4)return;
[[EDGE,width+2.5],[color,width]].forEach(function(pass){
ctx.strokeStyle=pass[0];ctx.lineWidth=pass[1];ctx.setLineDash(dash||[]);ctx.beginPath();
for(var i=0;i<pts.length;i+=2){if(i===0)ctx.moveTo(pts[i],pts[i+1]);else ctx.lineTo(pts[i],pts[i+1])}
ctx.stroke()});ctx.setLineDash([])}
function pt(i,j){var p=d.points[i];return p[2*j]===UNKNOWN?null:[p[2*j],p[2*j+1]]}
function seg(i,a,b,color,dash){var p=pt(i,a),r=pt(i,b);if(p&&r)line([p[0],p[1],r[0],r[1]],color,d.height/180,dash)}
function draw(){
ctx.clearRect(0,0,d.width,d.height);
if(show("path")){var way=[];for(var k=0;k<=at;k++){var a=pt(k,4),b=pt(k,5);if(a&&b)way.push((a[0]+b[0])/2,(a[1]+b[1])/2)}line(way,CHALK,d.height/260)}
if(show("bat")){
var trail=[];for(var i=0;i<=at;i++){var t=d.bat[i];if(t.length){trail.push(t[2],t[3])}else{line(trail,WAY,d.height/260);trail=[]}}
line(trail,WAY,d.height/260);
var now=d.bat[at];if(now.length)line(now,CHALK,d.height/200)}
if(show("lines")){
seg(at,0,1,CHALK);seg(at,6,7,CHALK);
var s0=pt(at,0),s1=pt(at,1),h0=pt(at,6),h1=pt(at,7);
if(s0&&s1&&h0&&h1)line([(s0[0]+s1[0])/2,(s0[1]+s1[1])/2,(h0[0]+h1[0])/2,(h0[1]+h1[1])/2],CHALK,d.height/240);
[1-d.lead,d.lead].forEach(function(side){PAIRS.forEach(function(p){seg(at,p[0]+side,p[1]+side,side===d.lead?LEAD:REAR,side===d.lead?null:[d.height/50,d.height/80])})})}}
function words(){
var t=d.times[at],s="Frame "+d.frames[at];
if(contact){var c=t-contact.time_s;s+=at===contact.at?"":" · "+Math.abs(c).toFixed(3)+" s "+(c<0?"before":"after")+" contact"}
var key="";d.marks.forEach(function(m){if(m.at===at)key+=(key?", ":"")+m.words});
if(key)s=key+" · "+s;
say.textContent=s;range.setAttribute("aria-valuetext",s)}
function curves(){
each(root.querySelectorAll(".curve"),function(c,i){
var k=d.curves[i];if(!k)return;
c.querySelector(".cursor").style.left=100*(d.times[at]-d.times[0])/(d.times[n-1]-d.times[0])+"%";
each(c.querySelectorAll(".val"),function(o,j){var v=k.y[j]&&k.y[j][at];o.textContent=v===null||v===undefined?"—":fixed(v,k.decimals)+(k.unit==="°"?"":" ")+k.unit})})}
function keys(){each(root.querySelectorAll(".keys button"),function(b){b.setAttribute("aria-pressed",String(Number(b.value)===at))})}
function paint(){range.value=at;draw();words();curves();keys()}
function seek(){if(!video)return;if(video.seeking){wanted=at;return}wanted=-1;var t=(at+0.5)/d.fps;if(Math.abs(video.currentTime-t)>1e-4)video.currentTime=t}
function go(i){stop();at=clamp(i,0,n-1);paint();seek()}
if(video){
video.addEventListener("seeked",function(){if(wanted>=0)seek()});
video.addEventListener("loadeddata",function(){ready=true;root.classList.remove("nofilm");seek()});
video.addEventListener("error",function(){ready=false;root.classList.add("nofilm")},true);
video.addEventListener("ended",function(){stop();at=n-1;paint()});
if(video.readyState>=2){ready=true;seek()}else{video.load()}}
function share(){return Number(speed.value)}
function rate(){var real=(n-1)/(d.times[n-1]-d.times[0]);return clamp(share()*real/d.fps,0.0625,16)}
function stop(){if(!playing)return;playing=false;play.textContent="▶ Play";clearTimeout(timer);if(video)video.pause()}
function start(){
if(at>=n-1)at=0;
playing=true;play.textContent="❚❚ Pause";
if(video&&ready){video.currentTime=(at+0.5)/d.fps;video.playbackRate=rate();var p=video.play();if(p&&p.catch)p.catch(function(){stop()});follow()}
else tick()}
function tick(){if(!playing)return;paint();if(at>=n-1){stop();return}var dt=d.times[at+1]-d.times[at];timer=setTimeout(function(){at++;tick()},1000*dt/share())}
function follow(){
if(!playing)return;
var next=function(t){if(!playing)return;at=clamp(Math.floor(t*d.fps+1e-3),0,n-1);paint();follow()};
if(video.requestVideoFrameCallback)video.requestVideoFrameCallback(function(_,m){next(m.mediaTime)});
else requestAnimationFrame(function(){next(video.currentTime)})}
play.onclick=function(){if(playing){stop();seek()}else start()};
q(".back").onclick=function(){go(at-1)};q(".ahead").onclick=function(){go(at+1)};
speed.onchange=function(){if(playing&&video)video.playbackRate=rate()};
range.oninput=function(){go(Number(range.value))};
each(root.querySelectorAll("[data-show]"),function(b){b.onchange=draw});
each(root.querySelectorAll(".keys button"),function(b){b.onclick=function(){go(Number(b.value))}});
root.addEventListener("keydown",function(e){
if(e.altKey||e.ctrlKey||e.metaKey||/^(SELECT|TEXTAREA)$/.test(e.target.tagName))return;
var onRange=e.target===range,k=e.key,hit=true;
if(k==="ArrowRight"||k===".")go(at+(e.shiftKey?10:1));
else if(k==="ArrowLeft"||k===",")go(at-(e.shiftKey?10:1));
else if(k===" "&&(onRange||e.target===stage))play.onclick();
else if(k==="Home")go(0);else if(k==="End")go(n-1);
else if(/^[1-7]$/.test(k)){hit=false;d.marks.forEach(function(m){if(m.key===Number(k)){go(m.at);hit=true}})}
else hit=false;
if(hit)e.preventDefault()});
var x0=null,from=0;
stage.addEventListener("pointerdown",function(e){x0=e.clientX;from=at;if(stage.setPointerCapture)stage.setPointerCapture(e.pointerId)});
stage.addEventListener("pointermove",function(e){if(x0===null)return;var dx=e.clientX-x0;if(Math.abs(dx)>6)go(from+Math.round(dx/Math.max(6,stage.clientWidth/n)))});
stage.addEventListener("pointerup",function(e){if(x0!==null&&Math.abs(e.clientX-x0)<=6)go(at+(e.clientX-stage.getBoundingClientRect().left<stage.clientWidth/2?-1:1));x0=null});
stage.addEventListener("pointercancel",function(){x0=null});
each(root.querySelectorAll(".curve .plot"),function(p){
var hit=function(e){var b=p.getBoundingClientRect(),t=d.times[0]+(d.times[n-1]-d.times[0])*clamp((e.clientX-b.left)/b.width,0,1),best=0;
d.times.forEach(function(v,i){if(Math.abs(v-t)<Math.abs(d.times[best]-t))best=i});go(best)};
p.addEventListener("pointerdown",hit);p.addEventListener("pointermove",function(e){if(e.buttons)hit(e)})});
var me={set:{},touched:false};players.push(me);
d.marks.forEach(function(m){if(m.given)me.set[m.name]=m.time_s});
if(q(".move")){
q(".this").onclick=function(){me.set[q(".which").value]=d.times[at];me.touched=true;fixesShown()};
q(".drop").onclick=function(){delete me.set[q(".which").value];me.touched=true;fixesShown()}}
paint()});
// Corrections, as lines of the clip's settings file.
var facts={},who="";
function yaml(){
var s="";Object.keys(facts).forEach(function(k){s+=k+": "+facts[k]+"\n"});
if(who)s+="hitter_at: "+who+"\n";
var all={},touched=false;
players.forEach(function(p){touched=touched||p.touched;Object.keys(p.set).forEach(function(k){(all[k]=all[k]||[]).push(p.set[k])})});
var names=Object.keys(all).sort();
if(!names.length)return touched?s+"marks: {}\n":s;
s+="marks:\n";
names.forEach(function(k){s+="  "+k+": ["+all[k].sort(function(a,b){return a-b}).map(function(t){return t.toFixed(4)}).join(", ")+"]\n"});
return s}
function fixesShown(){
var text=yaml();
each(document.querySelectorAll(".fix"),function(m){
m.querySelector("pre").textContent=text;m.querySelector(".saving").hidden=!text;m.querySelector(".sent").textContent="";
var a=m.querySelector("a.save");
try{a.href=URL.createObjectURL(new Blob([text],{type:"application/yaml"}))}catch(e){a.hidden=true}
var b=m.querySelector("button.send");b.hidden=location.protocol.indexOf("http")!==0;
b.onclick=function(){
var out=m.querySelector(".sent");out.textContent="Saving …";
fetch("./corrections",{method:"POST",headers:{"Content-Type":"application/yaml"},body:text}).then(function(r){return r.text().then(function(t){out.textContent=t;})}).catch(function(){out.textContent="It could not be saved. Use the file instead."})}})}
each(document.querySelectorAll("[data-key]"),function(f){
var key=f.getAttribute("data-key"),was=f.value;
f.oninput=f.onchange=function(){
var v=f.value.trim();
if(v===was||v==="")delete facts[key];
else facts[key]=f.hasAttribute("data-inches")?(v.replace(",",".")*0.0254).toFixed(4):f.hasAttribute("data-number")?v.replace(",","."):f.tagName==="SELECT"?v:JSON.stringify(v);
fixesShown()}});
each(document.querySelectorAll("[data-at]"),function(b){b.onclick=function(){
var on=b.getAttribute("aria-pressed")!=="true";
each(document.querySelectorAll("[data-at]"),function(o){o.setAttribute("aria-pressed",String(o===b&&on))});
who=on?b.getAttribute("data-at"):"";fixesShown()}});
// On paper: what was found is unfolded, tables only where a reader has unfolded them.
var unfolded=[];
addEventListener("beforeprint",function(){unfolded=[];each(document.querySelectorAll("details.more,details.note,details.cannot"),function(d){if(!d.open){d.open=true;unfolded.push(d)}})});
addEventListener("afterprint",function(){unfolded.forEach(function(d){d.open=false});unfolded=[]});
})();
